"""The fields of an order as a small decoder needs them: kind, limit, where each goes, which an act takes and needs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from conformance.publish.artefacts.header import macro
from protocol.specification import Specification

MESSAGE = "job-order"
NUMBER, WORD, LABEL, SIGNED, TARGET, INPUTS = range(6)
KINDS = ("NUMBER", "WORD", "LABEL", "SIGNED", "TARGET", "INPUTS")
BITS = {0xFF: 0, 0xFFFF: 1, 0xFFFFFFFF: 2}
LEAST_WORDS = 2
FROM_ONE = 3
"""Limit of a number of 32 bits that is not 0."""
LEAST_WORDS = 2
"""A limit of 0 is none to what reads numbers in the core."""
HEAD = """\
/* The fields of an order, for the decoder. Made from the specification by `python -m conformance.publish.firmware`;
 * do not edit. */
"""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of an order."""

    name: str
    key: int
    kind: int
    limit: int
    acts: tuple[str, ...]
    """The acts that take it."""


def fields(spec: Specification) -> tuple[Field, ...]:
    """Every field of every act, by CBOR key."""
    found: dict[str, Field] = {}
    for name, part in _parts(spec):
        acts = tuple(act for act, schema in spec.acts.items() if name in schema["properties"])
        kind, limit = _kind(spec, name, part)
        found[name] = Field(name, int(part["cborKey"]), kind, limit, acts)
    return tuple(sorted(found.values(), key=lambda field: field.key))


def _parts(spec: Specification) -> Iterator[tuple[str, Any]]:
    for schema in spec.acts.values():
        yield from schema["properties"].items()


def _kind(spec: Specification, name: str, part: Any) -> tuple[int, int]:
    """Kind and limit of one field, from its schema. Raises ValueError for a schema of another kind."""
    if name == "act":
        return WORD, len(spec.words("act")) - 1
    schema = part
    if "$ref" in part:
        schema = spec.common["$defs"][part["$ref"].rpartition("/")[2]]
    if "enum" in schema:
        if len(schema["enum"]) < LEAST_WORDS:
            raise ValueError(f"a limit of 0 is none in the decoder, and {name!r} has one word")
        return WORD, len(schema["enum"]) - 1
    match schema["type"], schema.get("minimum"):
        case "string", _:
            return LABEL, int(schema["maxLength"])
        case "integer", 0 | 1:
            return NUMBER, FROM_ONE if schema["minimum"] else BITS[schema["maximum"]]
        case "integer", -32768:
            return SIGNED, 0
        case "array", _:
            is_target = "$ref" in schema["items"]
            return (TARGET if is_target else INPUTS), int(schema["maxItems"])
    raise ValueError(f"the decoder knows no field like {name!r}")


def slots(found: Iterable[Field]) -> dict[str, int]:
    """Where each number, word or label goes: two that no act has together may share a place."""
    taken: dict[int, list[Field]] = {}
    places: dict[str, int] = {}
    for field in found:
        if field.kind not in (NUMBER, WORD, LABEL):
            continue
        is_label = field.kind == LABEL
        for place in range(256):
            others = taken.get(place if not is_label else place + 256, [])
            if not any(set(other.acts) & set(field.acts) for other in others):
                taken.setdefault(place if not is_label else place + 256, []).append(field)
                places[field.name] = place
                break
    return places


def mask(found: Iterable[Field], names: Iterable[str]) -> int:
    """One bit for each field, by CBOR key."""
    wanted = set(names)
    return sum(1 << field.key for field in found if field.name in wanted)


def together(spec: Specification) -> list[frozenset[str]]:
    """Fields that come all or not at all. Raises ValueError where one asks for another and not the other way round."""
    rules: dict[str, set[str]] = {}
    for schema in spec.acts.values():
        for name, needed in schema.get("dependentRequired", {}).items():
            rules.setdefault(name, set()).update(needed)
    groups = {frozenset({name, *needed}) for name, needed in rules.items()}
    if sum(map(len, groups)) != len(rules):
        raise ValueError("fields that depend on each other one way only: the decoder has no rule for that")
    return sorted(groups, key=sorted)


def order_table(spec: Specification) -> str:
    """The text of yw_order_table.h."""
    return "\n".join([HEAD, *_lines(spec), ""])


def _lines(spec: Specification) -> Iterator[str]:
    found = fields(spec)
    places = slots(found)
    numbers = [f for f in found if f.kind in (NUMBER, WORD)]
    labels = [f for f in found if f.kind == LABEL]
    yield "enum {" + ", ".join(f"YW_FIELD_{kind} = {number}" for number, kind in enumerate(KINDS)) + "};"
    yield "/* Where a field is kept: two that no order has together share a place. */"
    yield _enum("YW_NUMBER_OF", numbers, places)
    yield _enum("YW_LABEL_OF", labels, places)
    yield f"#define YW_NUMBERS {1 + max(places[f.name] for f in numbers)}"
    yield f"#define YW_LABELS {1 + max(places[f.name] for f in labels)}"
    yield f"#define YW_FIELDS {1 + found[-1].key}"
    yield f"#define YW_TARGETS_MOST {next(f.limit for f in found if f.kind == TARGET)}"
    yield f"#define YW_INPUTS_MOST {next(f.limit for f in found if f.kind == INPUTS)}"
    yield f"#define YW_BOX_LENGTH {next(f.limit for f in found if f.name == 'box')}"
    yield f"#define YW_TRAIN_LENGTH {next(f.limit for f in found if f.name == 'train')}"
    yield f"#define YW_SENSORS {len(spec.words('sensor'))}"
    yield "\n/* Kind and limit of each CBOR key, and where it is kept. */"
    yield "static const uint8_t yw_fields[YW_FIELDS][2] YW_FLASH = {"
    by_key = {field.key: field for field in found}
    for key in range(found[-1].key + 1):
        field = by_key[key]
        what = f"YW_FIELD_{KINDS[field.kind]} << 4 | {field.limit}"
        yield f"    {{{what}, {places.get(field.name, 0)}}}, /* {field.name} */"
    yield "};"
    yield "\n/* By act: the keys that it needs, and those that it takes. */"
    yield f"static const uint32_t yw_acts[{len(spec.acts)}][2] YW_FLASH = {{"
    for act, schema in spec.acts.items():
        needs, takes = mask(found, schema["required"]), mask(found, schema["properties"])
        yield f"    {{0x{needs:06X}UL, 0x{takes:06X}UL}}, /* {act} */"
    yield "};"
    groups = together(spec)
    yield "\n/* Keys that come all or not at all. */"
    masks = ", ".join(f"0x{mask(found, group):06X}UL" for group in groups)
    yield f"static const uint32_t yw_together[{len(groups)}] YW_FLASH = {{{masks}}};"
    yield "\n/* Acts as a mask: the jobs, and by role what it takes. */"
    yield f"#define YW_JOB_ACTS 0x{_acts(spec, spec.jobs):04X}U"
    for role in ("crane", "berth", "shuttle"):
        yield f"#define {macro('acts_of', role)} 0x{_acts(spec, spec.acts_of(role)):04X}U"


def _acts(spec: Specification, wanted: frozenset[str]) -> int:
    return sum(1 << number for number, act in enumerate(spec.words("act")) if act in wanted)


def _enum(prefix: str, found: Iterable[Field], places: dict[str, int]) -> str:
    listed = ", ".join(f"{prefix}_{f.name.upper()} = {places[f.name]}" for f in found)
    return f"enum {{{listed}}};"
