"""What changed between two versions of the specification, and whom it breaks.

A change breaks *senders* when something that a sender of the old version says is not taken by a receiver of the new
one, and *receivers* when a receiver of the old version does not take what a sender of the new one may say. For messages
that is shown by a witness: a corner message that is refused or read as something else (corners.py says why corners are
enough). For times, limits, topics and tables it follows from their bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.publish.compare.change import RECEIVERS, SENDERS, Change, Witness
from conformance.publish.compare.corners import corners
from conformance.publish.compare.dialect import require_expressible
from conformance.publish.compare.grown import grown
from conformance.publish.compare.reader import Reader
from conformance.publish.model import field_of, schemas
from protocol.specification import Figure, Schema, Specification
from protocol.transition_table import Table


@dataclass(frozen=True, slots=True)
class VersionComparison:
    """All changes between two versions, and what is wrong with the new version's number."""

    old: tuple[int, int]
    new: tuple[int, int]
    changes: tuple[Change, ...]

    @property
    def breaking(self) -> bool:
        """Whether any change breaks somebody."""
        return any(change.breaks for change in self.changes)

    @property
    def wrong_number(self) -> str:
        """Why the number of the new version does not fit its changes; '' if it does."""
        if self.new < self.old:
            return f"the version goes back, from {_dotted(self.old)} to {_dotted(self.new)}"
        if self.breaking and self.new[0] == self.old[0]:
            return f"something breaks, so the major version has to rise above {self.old[0]}"
        if self.changes and self.new == self.old:
            return f"something changed, so the minor version has to rise above {_dotted(self.old)}"
        return ""


def _dotted(version: tuple[int, int]) -> str:
    return ".".join(map(str, version))


def compare(old: Specification, new: Specification) -> VersionComparison:
    """Every change from `old` to `new`. Raises NotExpressible for a schema that cannot be reasoned about."""
    for spec in (old, new):
        require_expressible(spec)
    # Within a major version an older participant keeps to what is not marked as newer than it: that must not change.
    kept = new.at(old.minor) if new.major == old.major else new
    found = [
        *_messages(old, new),
        *_figures(old.timing, kept.timing, "timing"),
        *_figures(old.limits, kept.limits, "limits"),
        *_topics(old, new),
        *_tables(old, kept),
        *_checks(old, kept),
        *_requirements(old, kept),
        *(grown(kept, new) if kept is not new else ()),
    ]
    return VersionComparison((old.major, old.minor), (new.major, new.minor), tuple(found))


# ---------------------------------------------------------------- messages
def _messages(old: Specification, new: Specification) -> Iterator[Change]:
    """Changes of schemas, each with its verdict by witness; a break that no single field explains comes last."""
    there, here = _by_name(old), _by_name(new)
    for name in dict.fromkeys([*there, *here]):
        where = " ".join(filter(None, name))
        if name not in here:
            witness = next(_refused(old, Reader(new), name, there[name]), None)
            yield Change(where, "is gone", (SENDERS,), witness[1] if witness else None)
        elif name not in there:
            witness = next(_refused(new, Reader(old), name, here[name]), None)
            # Nobody hears a message on a topic that they do not know; an act comes on one that they do.
            heard = name[1] is not None and witness is not None
            yield Change(
                where, "is new", (RECEIVERS,) if heard else (), witness[1] if heard and witness else None
            )
        else:
            yield from _schema(old, new, name, there[name], here[name])


def _by_name(spec: Specification) -> dict[tuple[str, str | None], Schema]:
    return {(message, act): schema for message, act, schema in schemas(spec)}


def _refused(
    writer: Specification, reader: Reader, name: tuple[str, str | None], schema: Schema
) -> Iterator[tuple[str, Witness]]:
    """The corner messages that the reader does not take, with the field at which it stops."""
    message, act = name
    for body in corners(writer, schema):
        for field, why in reader.troubles(writer, message, act, body):
            yield field, Witness(message, body, why)


def _schema(
    old: Specification, new: Specification, name: tuple[str, str | None], there: Schema, here: Schema
) -> Iterator[Change]:
    where = " ".join(filter(None, name))
    broken = {
        SENDERS: dict(reversed(list(_refused(old, Reader(new), name, there)))),
        RECEIVERS: dict(reversed(list(_refused(new, Reader(old), name, here)))),
    }
    told: set[str] = set()
    for field in dict.fromkeys([*there["properties"], *here["properties"]]):
        for what in _field(old, new, field, there, here):
            whom = tuple(side for side in (SENDERS, RECEIVERS) if field in broken[side])
            told.add(field)
            yield Change(f"{where}.{field}", what, whom, broken[whom[0]][field] if whom else None)
    # What no change of a single field explains.
    left = {side: [w for field, w in broken[side].items() if field not in told] for side in broken}
    whom = tuple(side for side in (SENDERS, RECEIVERS) if left[side])
    if whom or _conditions(there) != _conditions(here):
        yield Change(where, "which fields stand together", whom, left[whom[0]][0] if whom else None)


def _field(old: Specification, new: Specification, field: str, there: Schema, here: Schema) -> Iterator[str]:
    """What changed of a field, in words."""
    before, after = there["properties"].get(field), here["properties"].get(field)
    if after is None:
        yield "is gone"
    elif before is None:
        yield "is new" + (", and required" if field in here.get("required", ()) else "")
    else:
        one, other = field_of(old, field, before), field_of(new, field, after)
        if one.key != other.key:
            yield f"key {one.key} became {other.key}"
        if (field in there.get("required", ())) != (field in here.get("required", ())):
            yield "is required now" if field in here.get("required", ()) else "is no longer required"
        yield from _kind(old, new, one.schema, other.schema)


_TEXTS = ("title", "description", "unit", "meanings", "levels", "$comment", "cborKey", "examples", "since")


def _kind(old: Specification, new: Specification, one: Schema, other: Schema) -> Iterator[str]:
    from conformance.publish.artefacts.bundle import flattened

    before, after = _shown(flattened(old, one)), _shown(flattened(new, other))
    for keyword in dict.fromkeys([*before, *after]):
        if before.get(keyword) != after.get(keyword):
            yield f"{keyword} {_short(before.get(keyword))} became {_short(after.get(keyword))}"


def _shown(part: Any) -> Any:
    if isinstance(part, Mapping):
        return {name: _shown(inner) for name, inner in part.items() if name not in _TEXTS}
    return [_shown(entry) for entry in part] if isinstance(part, list) else part


def _short(value: object) -> str:
    text = "nothing" if value is None else str(value)
    return text if len(text) <= 90 else f"{text[:60]} ... {text[-24:]}"


def _conditions(schema: Schema) -> dict[str, Any]:
    words = ("if", "then", "else", "dependentRequired", "dependentSchemas")
    return {word: schema[word] for word in words if word in schema}


# ---------------------------------------------------------------- times, limits, topics, tables, requirements
def _bounds(figure: Figure) -> tuple[float, float]:
    if figure.value is not None:
        return figure.value, figure.value
    low = float("-inf") if figure.least is None else figure.least
    return low, float("inf") if figure.most is None else figure.most


def _figures(there: Mapping[str, Figure], here: Mapping[str, Figure], file: str) -> Iterator[Change]:
    """A bound that widens lets new senders do what old receivers do not expect; one that narrows, the reverse."""
    for name in dict.fromkeys([*there, *here]):
        before, after = there.get(name), here.get(name)
        if before is None or after is None:
            what, side = ("is new", SENDERS) if before is None else ("is gone", RECEIVERS)
            yield Change(f"{file} {name}", what, (side,))
        elif before.since != after.since:
            yield Change(f"{file} {name}", "is of another minor version", (SENDERS, RECEIVERS))
        elif before.unit != after.unit:
            yield Change(f"{file} {name}", f"unit {before.unit} became {after.unit}", (SENDERS, RECEIVERS))
        elif _bounds(before) != _bounds(after):
            (low, high), (lower, higher) = _bounds(before), _bounds(after)
            narrower, wider = lower > low or higher < high, lower < low or higher > high
            whom = (SENDERS,) * narrower + (RECEIVERS,) * wider
            yield Change(f"{file} {name}", f"{before} became {after}", whom)


def _topics(old: Specification, new: Specification) -> Iterator[Change]:
    facts: dict[str, Callable[[Any], Any]] = {
        "topic": lambda rule: rule.pattern,
        "sender": lambda rule: rule.sender,
        "retain flag": lambda rule: rule.retain,
    }
    for name in old.topics.keys() & new.topics.keys():
        before, after = old.topics[name], new.topics[name]
        for word, fact in facts.items():
            if fact(before) != fact(after):
                yield Change(
                    f"topic of {name}", f"{word} {fact(before)} became {fact(after)}", (SENDERS, RECEIVERS)
                )
        for word, one, other in (("QoS", before.qos, after.qos), ("roles", before.roles, after.roles)):
            if set(one) != set(other):
                whom = (SENDERS,) * bool(set(one) - set(other)) + (RECEIVERS,) * bool(set(other) - set(one))
                yield Change(f"topic of {name}", f"{word} {_list(one)} became {_list(other)}", whom)


def _list(values: tuple[Any, ...]) -> str:
    return ", ".join(map(str, values))


def _tables(old: Specification, new: Specification) -> Iterator[Change]:
    for name in dict.fromkeys([*old.tables, *new.tables]):
        there, here = old.tables.get(name), new.tables.get(name)
        before, after = _steps(there), _steps(here)
        for row in sorted(before - after):
            yield Change(f"table {name}", f"no more: {row[0]}, {row[1]} to {row[3]}", (SENDERS,))
        for row in sorted(after - before):
            yield Change(f"table {name}", f"new: {row[0]}, {row[1]} to {row[3]}", (RECEIVERS,))
        if there and here and (there.initial, there.final) != (here.initial, here.final):
            yield Change(f"table {name}", "begins or ends in other states", (SENDERS, RECEIVERS))


def _steps(table: Table | None) -> set[tuple[str, str, str, str, tuple[str, ...], int]]:
    rows = table.transitions if table else ()
    return {(row.state, row.event, row.guard, row.next, row.sends, row.since) for row in rows}


def _checks(old: Specification, new: Specification) -> Iterator[Change]:
    if old.order_checks != new.order_checks:
        yield Change("table order", "other checks of an order, or in another order", (SENDERS, RECEIVERS))


def _requirements(old: Specification, new: Specification) -> Iterator[Change]:
    """A MUST that is new binds those who were written without it; one that is gone was relied on."""
    for id_ in dict.fromkeys([*old.requirements, *new.requirements]):
        before, after = old.requirements.get(id_), new.requirements.get(id_)
        if before is None:
            assert after is not None
            yield Change(id_, f"is new: {after.says}", (SENDERS,) if after.level == "MUST" else ())
        elif after is None:
            yield Change(id_, "is gone", (RECEIVERS,) if before.level == "MUST" else ())
        elif before.since != after.since:
            whom = (SENDERS,) if after.since < before.since else (RECEIVERS,)
            yield Change(
                id_, f"binds from {new.dotted(after.since)} on, not from {old.dotted(before.since)}", whom
            )
        elif before.level != after.level:
            whom = (SENDERS,) if after.level == "MUST" else (RECEIVERS,)
            yield Change(id_, f"{before.level} became {after.level}", whom)
        elif (before.says, before.role) != (after.says, after.role):
            yield Change(id_, f"reads now: {after.says}", to_read=True)
