"""The names and words of JSON beside the keys and integers of CBOR, as the core translates one into the other."""

from __future__ import annotations

from collections.abc import Iterator

from conformance.publish.artefacts.header import macro
from conformance.publish.firmware.order_table import INPUTS, LABEL, MESSAGE, TARGET, WORD, Field, fields
from protocol.codec.shape import Kind, shape_of
from protocol.specification import STATE_OF_ROLE, Specification

HEAD = """\
/* The names and words that JSON carries, for boards that are built with YW_JSON. Each list ends with an empty word.
 * Made from the specification by `python -m conformance.publish.firmware`; do not edit. */

/* A field of what a node says: its CBOR key, its name, and its words where it has any. */
struct yw_json_field {
    const char *name, *words;
    uint8_t key;
};
"""
MOST_OF_A_BYTE = 23
"""A map of so many pairs and a word of so many are told in one byte of CBOR."""
NUMBER_BYTES, WORD_BYTES, HEAD_BYTES = 5, 2, 1
INPUT_BYTES = HEAD_BYTES + WORD_BYTES + 1 + NUMBER_BYTES


def json_tables(spec: Specification) -> str:
    """The text of yw_json_tables.h. Raises ValueError for an order that has no room in the core's buffer."""
    return "\n".join([HEAD, *_lines(spec), ""])


def order_room(spec: Specification) -> int:
    """The most bytes of CBOR that an order may become: of the act that takes most, each number as long as any."""
    by_act = [[one for one in fields(spec) if act in one.acts] for act in spec.acts]
    if max(map(len, by_act)) > MOST_OF_A_BYTE or len(spec.words("act")) > MOST_OF_A_BYTE + 1:
        raise ValueError(
            "an act with so many fields, or so many acts, take longer heads than the core writes"
        )
    return HEAD_BYTES + max(sum(1 + _bytes(one) for one in found) for found in by_act)


def _bytes(field: Field) -> int:
    match field.kind:
        case kind if kind == WORD:
            return WORD_BYTES
        case kind if kind == LABEL:
            return HEAD_BYTES + field.limit
        case kind if kind == TARGET:
            return HEAD_BYTES + field.limit * NUMBER_BYTES
        case kind if kind == INPUTS:
            return HEAD_BYTES + field.limit * INPUT_BYTES
        case _:
            return NUMBER_BYTES


def words_of(kind: Kind) -> tuple[str, ...]:
    """The words of a value, or of what is in it."""
    inner = (*kind.first, *((kind.rest,) if kind.rest is not None else ()))
    return kind.words or next(filter(None, map(words_of, inner)), ())


def _lines(spec: Specification) -> Iterator[str]:
    said = {
        message: shape_of(message)
        for message in ("node-status", *STATE_OF_ROLE.values(), "fault", "job-report")
    }
    names = sorted({name for shape in said.values() for name in shape.keys})
    yield f"/* The longest that an order becomes in CBOR. */\n#define YW_JSON_ORDER_ROOM {order_room(spec)}\n"
    yield "/* The fields of an order, in the order of their CBOR keys. */"
    yield f"static const char yw_json_names[] YW_FLASH = {_list(tuple(one.name for one in fields(spec)))};\n"
    lists: dict[tuple[str, ...], str] = {}
    for shape in (*said.values(), *(shape_of(MESSAGE, act) for act in spec.acts)):
        for name, kind in shape.fields.items():
            if words := words_of(kind):
                lists.setdefault(words, name)
    called = {words: f"yw_words_{number}" for number, words in enumerate(lists)}
    yield from (f"static const char {called[words]}[] YW_FLASH = {_list(words)};" for words in lists)
    yield "\n/* The words of each field of an order, where it has any. */"
    yield "static const char *yw_json_words_of(uint8_t key)\n{\n    switch (key) {"
    for one in fields(spec):
        if words := words_of(shape_of(MESSAGE, one.acts[0]).fields[one.name]):
            yield f"    case {macro('key', MESSAGE, one.name)}:\n        return {called[words]};"
    yield "    default:\n        return NULL;\n    }\n}\n"
    yield from (f'static const char yw_name_{name}[] YW_FLASH = "{name}";' for name in names)
    roles = {message: role for role, message in STATE_OF_ROLE.items()}
    for message, shape in said.items():
        role = roles.get(message)
        yield f"\n#if YW_ROLE == {macro('role_is', role)}" if role else ""
        table = "yw_json_" + ("role" if role else message.replace("-", "_"))
        yield f"static const struct yw_json_field {table}[{len(shape.keys)}] YW_FLASH = {{"
        for name, key in sorted(shape.keys.items(), key=lambda item: item[1]):
            listed = called.get(words_of(shape.fields[name]), "NULL")
            yield f"    {{yw_name_{name}, {listed}, {key}}},"
        yield "};"
        yield from ("#endif",) if role else ()


def _list(words: tuple[str, ...]) -> str:
    r"""A text in C: each word ends with a NUL, the last with two. `\0` in front of a digit would be another number."""
    if any(word[0].isdigit() for word in words):
        raise ValueError(f"a word that begins with a digit: {words}")
    return '"' + "\\0".join(words) + '\\0"'
