"""The specification as named numbers, as the modules for firmware carry it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.publish.model import field_of, schemas
from protocol.sizes import worst_sizes
from protocol.specification import Specification
from protocol.transition_table import Table


@dataclass(frozen=True, slots=True)
class TableNumbers:
    """A transition table with its words numbered in the order in which they first stand in it."""

    table: Table
    events: tuple[str, ...]
    guards: tuple[str, ...]
    """The first is '', no guard."""
    sends: tuple[str, ...]
    """Word n is bit n of what a row sends."""

    @property
    def rows(self) -> Iterator[tuple[int, int, int, int, int]]:
        """State, event, guard, next state and what is sent, of every transition."""
        for row in self.table.transitions:
            sent = sum(1 << self.sends.index(word) for word in row.sends)
            states = self.table.states
            yield (
                states.index(row.state),
                self.events.index(row.event),
                self.guards.index(row.guard),
                states.index(row.next),
                sent,
            )


def tables(spec: Specification) -> Iterator[TableNumbers]:
    """Every transition table in numbers."""
    for table in spec.tables.values():
        rows = table.transitions
        yield TableNumbers(
            table=table,
            events=tuple(dict.fromkeys(row.event for row in rows)),
            guards=tuple(dict.fromkeys(["", *(row.guard for row in rows)])),
            sends=tuple(dict.fromkeys(word for row in rows for word in row.sends)),
        )


def keys(spec: Specification) -> dict[str, dict[str, int]]:
    """CBOR keys of every message; those of a job-order are shared by all acts."""
    found: dict[str, dict[str, int]] = {message: {} for message in spec.messages}
    for message, _, schema in schemas(spec):
        found[message] |= {name: int(part["cborKey"]) for name, part in schema["properties"].items()}
    return {
        message: dict(sorted(names.items(), key=lambda item: item[1])) for message, names in found.items()
    }


def words(spec: Specification) -> dict[str, tuple[str, ...]]:
    """Every enumeration by its name: shared ones by their kind, others by message and field."""
    found = {name: tuple(part["enum"]) for name, part in spec.common["$defs"].items() if "enum" in part}
    for message, act, schema in schemas(spec):
        for name, part in schema["properties"].items():
            field = field_of(spec, name, part)
            if field.words and not field.kind and name != "act":
                found[f"{act or message}_{name}"] = field.words
    return found


def sizes() -> dict[str, int]:
    """Longest payload by `message` or `job-order act`, with the encoding behind it, in bytes."""
    return {
        f"{' '.join(filter(None, (row.message, row.act)))} {row.encoding.value}": row.payload
        for row in worst_sizes()
    }


def figures(spec: Specification) -> dict[str, int | float]:
    """Every bound of timing.toml and limits.toml, its unit and its side in the name."""
    found: dict[str, int | float] = {}
    for figure in [*spec.timing.values(), *spec.limits.values()]:
        unit = figure.unit.replace("/", " per ").replace("-", " ").replace(" ", "_")
        bounds: Mapping[str, Any] = {"least": figure.least, "most": figure.most, "exact": figure.value}
        for side, bound in bounds.items():
            if bound is not None:
                found[f"{figure.name}_{unit}_{side}"] = bound
    return found
