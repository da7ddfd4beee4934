"""Bodies of any message as hypothesis strategies, made from its schema: what is added to it is drawn the same day."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, TypeVar

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as seeded
from hypothesis import strategies as st

from conformance.fuzz.generate.values import allowed, beyond, edges
from protocol.codec.shape import Kind, Shape, shape_of

Body = dict[str, Any]
Drawn = TypeVar("Drawn")


@cache
def _value(message: str, act: str | None, name: str) -> st.SearchStrategy[Any]:
    kind = shape_of(message, act).fields[name]
    return st.one_of(st.sampled_from(edges(kind)), st.sampled_from(edges(kind)), anything(kind))


def anything(kind: Kind) -> st.SearchStrategy[Any]:
    """Every value that the schema of one field allows."""
    schema = kind.schema
    if kind.words:
        return st.sampled_from(kind.words)
    match schema["type"]:
        case "integer":
            return st.integers(schema["minimum"], schema["maximum"])
        case "boolean":
            return st.booleans()
        case "string":
            characters = allowed(schema["not"]["pattern"])
            return st.text(characters, min_size=schema.get("minLength", 0), max_size=schema["maxLength"])
        case _:
            return _array(kind)


def _array(kind: Kind) -> st.SearchStrategy[list[Any]]:
    if kind.first:
        return st.tuples(*map(anything, kind.first)).map(list)
    assert kind.rest is not None
    schema = kind.schema
    least, most = schema["minItems"], schema["maxItems"]
    return st.lists(
        anything(kind.rest), min_size=least, max_size=most, unique=schema.get("uniqueItems", False)
    )


def _fields(shape: Shape, wanted: frozenset[str]) -> frozenset[str]:
    """`wanted` without optional fields whose companions are missing (dependentRequired), and with required ones."""
    required = frozenset(shape.schema["required"])
    wanted |= required
    for name, others in shape.schema.get("dependentRequired", {}).items():
        if name in wanted and not set(others) <= wanted:
            wanted -= {name, *others} - required
    return wanted


@st.composite
def bodies(draw: st.DrawFn, message: str, act: str | None = None) -> Body:
    """Bodies with every field inside its schema, many at an edge; optional ones come and go together as they must.

    Conditions over several fields beyond `dependentRequired` are not looked at.
    """
    shape = shape_of(message, act)
    optional = sorted(set(shape.fields) - set(shape.schema["required"]))
    chosen = draw(st.sets(st.sampled_from(optional))) if optional else set()
    wanted = _fields(shape, frozenset(chosen))
    body = {name: draw(_value(message, act, name)) for name in shape.fields if name in wanted}
    return body | ({"act": act} if act else {})


@st.composite
def flaws(draw: st.DrawFn, message: str, act: str | None = None) -> tuple[str, Body]:
    """One rule of the schema broken: in words, and the fields that break it; None leaves a field out."""
    shape = shape_of(message, act)
    required = [name for name in shape.schema["required"] if name != "act"]
    pairs = [name for name in shape.schema.get("dependentRequired", {}) if name not in required]
    ways = ["unknown", "beyond", "beyond"] + ["missing"] * bool(required) + ["alone"] * bool(pairs)
    match draw(st.sampled_from(ways)):
        case "missing":
            name = draw(st.sampled_from(required))
            return f"without {name!r}", {name: None}
        case "alone":
            name = draw(st.sampled_from(pairs))
            others = set(shape.schema["dependentRequired"][name]) - set(required)
            value = draw(_value(message, act, name))
            return f"with {name!r} and not what belongs to it", dict.fromkeys(others) | {name: value}
        case "unknown":
            return "with a field that there is not", {"zz": 1}
        case _:
            # Texts are copied by hand in firmware, and few fields are one.
            texts = [name for name, kind in shape.fields.items() if "maxLength" in kind.schema]
            name = draw(st.sampled_from([*shape.fields, *2 * texts]))
            what, value = draw(st.sampled_from(list(beyond(shape.fields[name]))))
            return f"with {what} in {name!r}", {name: value}


def drawn(strategy: st.SearchStrategy[Drawn], number: int, seed: str) -> Sequence[Drawn]:
    """Up to `number` values, the same for the same seed."""
    found: list[Drawn] = []

    @seeded(seed)
    @settings(
        max_examples=number,
        phases=(Phase.generate,),
        database=None,
        deadline=None,
        derandomize=False,
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def take(one: Drawn) -> None:
        found.append(one)

    take()
    return found
