"""The vectors of the protocol, read from their files."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from typing import Any

from protocol.validation import Reading, read_message, read_publication
from tests.protocol.make_vectors import FOLDER


@dataclass(frozen=True)
class Vector:
    """One vector as it stands in its file."""

    fields: dict[str, Any]

    def __str__(self) -> str:
        return str(self.fields["name"])

    @property
    def message(self) -> str:
        return str(self.fields["message"])

    @property
    def payload(self) -> bytes:
        return bytes.fromhex(self.fields["hex"])

    @property
    def valid(self) -> bool:
        return bool(self.fields["valid"])

    @property
    def body(self) -> dict[str, Any] | None:
        return self.fields.get("body")

    def read(self) -> Reading:
        """Read as a sender's message, with topic and flags where the vector has them."""
        if "topic" not in self.fields:
            return read_message(self.message, self.payload, closed=True)
        retain, qos = self.fields.get("retain"), self.fields.get("qos")
        return read_publication(self.fields["topic"], self.payload, retain=retain, qos=qos)


@cache
def vectors() -> tuple[Vector, ...]:
    """Every vector of every file."""
    files = sorted(FOLDER.glob("*.json"))
    return tuple(Vector(row) for file in files for row in json.loads(file.read_text(encoding="utf-8")))


def valid_vectors() -> list[Vector]:
    return [vector for vector in vectors() if vector.valid]


def invalid_vectors() -> list[Vector]:
    return [vector for vector in vectors() if not vector.valid]
