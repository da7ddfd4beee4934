"""Names and words of the model to the keys and integers of CBOR, and back."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

from protocol.codec.shape import ANY, Kind, Shape, shape_for, shape_of
from protocol.codec.value import Unfit, Value, is_integer
from protocol.finding import Finding, Flaw, Path, spell


class NotEncodable(ValueError):
    """A body that has no place in the encoding asked for. The text says which field and why."""


def to_numbers(message: str, body: Mapping[Any, Value]) -> dict[int, Value]:
    """The body as CBOR carries it: integer keys, integers for words.

    An integer in the place of a name or a word goes through: so a tester says what a later version might.
    Raises NotEncodable for a name or a word that the schema does not have.
    """
    shape = shape_for(message, body.get("act"))
    numbers: dict[int, Value] = {}
    for name, value in body.items():
        key = name if is_integer(name) else shape.keys.get(str(name))
        if key is None:
            raise NotEncodable(f"{shape.name} has no field {name!r}, and CBOR no key for it")
        numbers[key] = _to_number(name, shape.fields.get(str(name), ANY), value)
    return numbers


def _to_number(name: object, kind: Kind, value: Value, place: tuple[int, ...] = ()) -> Value:
    if isinstance(value, (list, tuple)):
        return [_to_number(name, kind.entry(i), entry, (*place, i)) for i, entry in enumerate(value)]
    if not kind.words or not isinstance(value, str):
        return value
    if value not in kind.words:
        where = f"{name}{''.join(f'[{i}]' for i in place)}"
        raise NotEncodable(f"{where} is {value!r}, which is none of its words and has no integer in CBOR")
    return kind.words.index(value)


def to_words(message: str, numbers: Mapping[Value, Value]) -> tuple[dict[str | int, Value], list[Flaw]]:
    """What CBOR carried as a body in words, and what was no word. Unknown keys stay integers.

    Words that are unknown become `Unfit`, so that the rest of the body can still be judged.
    """
    flaws: list[Flaw] = []
    act_key = shape_of(message).keys.get("act") if message == "job-order" else None
    act = (
        _to_word(shape_of(message).fields["act"], numbers.get(act_key), (), [])
        if act_key is not None
        else None
    )
    shape = shape_for(message, act)
    body: dict[str | int, Value] = {}
    for key, value in numbers.items():
        name = shape.names.get(key) if is_integer(key) else None
        if name is None:
            body[_free_key(key, shape)] = value
        else:
            body[name] = _to_word(shape.fields[name], value, (name,), flaws)
    return body, flaws


def _free_key(key: Value, shape: Shape) -> str | int:
    # A name as a text key must not pass for the field that it names.
    if isinstance(key, str):
        return f'"{key}"' if key in shape.fields else key
    return key if is_integer(key) else str(key)


def _to_word(kind: Kind, value: Value, path: Path, flaws: list[Flaw]) -> Value:
    if isinstance(value, list):
        return [_to_word(kind.entry(i), entry, (*path, i), flaws) for i, entry in enumerate(value)]
    if not kind.words or isinstance(value, Unfit):
        return value
    if is_integer(value) and 0 <= value < len(kind.words):
        return kind.words[value]
    flaws.append(_not_a_word(kind, value, path))
    return Unfit(str(value))


def _not_a_word(kind: Kind, value: Value, path: Path) -> Flaw:
    table = ", ".join(f"{number} {word}" for number, word in enumerate(kind.words))
    if isinstance(value, str):
        near = value if value in kind.words else next(iter(get_close_matches(value, kind.words)), None)
        what = f"is the text {value!r}, but CBOR carries a word as its integer"
        fix = f"Send {kind.words.index(near)} for {near!r}" if near else f"Send one of: {table}"
    elif is_integer(value):
        what, fix = f"is {value}, which stands for no word", f"Send one of: {table}"
    else:
        what, fix = f"is {name_of(value)}, not the integer of a word", f"Send one of: {table}"
    return Flaw(Finding("ENC-05", what, spell(path), None, fix), path)


def name_of(value: Value) -> str:
    """A value in words that fit into a sentence."""
    if isinstance(value, Unfit):
        return value.seen
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (list, tuple)):
        return f"an array of {len(value)}"
    if isinstance(value, dict):
        return f"a map of {len(value)}"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else f"{text[:30]}... ({len(text)} characters)"
