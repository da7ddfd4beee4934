"""The kinds of frame on a serial line, and the fields of those that speak of the line itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class LineKind:
    """One kind of frame on a serial line."""

    name: str
    number: int
    sender: str
    """'node' or 'gateway'."""
    meaning: str
    carries: str = ""
    """The message that is its payload; '' where `fields` are."""
    to: str = ""
    """Of a job-order: 'own' or 'all'."""
    fields: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LineField:
    """One field of the frames that speak of the line itself."""

    name: str
    key: int
    meaning: str
    kind: str = ""
    """Its kind among those of common.schema.json; '' where `words` are."""
    words: tuple[str, ...] = ()
    """Words in the order of their CBOR integers."""
    of: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """What each word means, by kind of frame: the words that are allowed there."""


def line_kinds(rows: Mapping[str, Mapping[str, Any]]) -> dict[str, LineKind]:
    """Name to kind, as serial.toml has them."""
    return {
        name: LineKind(
            name=name,
            number=row["number"],
            sender=row["from"],
            meaning=row["meaning"],
            carries=row.get("carries", ""),
            to=row.get("to", ""),
            fields=tuple(row.get("fields", ())),
        )
        for name, row in rows.items()
    }


def line_fields(rows: Mapping[str, Mapping[str, Any]]) -> dict[str, LineField]:
    """Name to field, as serial.toml has them."""
    return {
        name: LineField(
            name=name,
            key=row["key"],
            meaning=row["meaning"],
            kind=row.get("kind", ""),
            words=tuple(row.get("words", ())),
            of=row.get("of", {}),
        )
        for name, row in rows.items()
    }
