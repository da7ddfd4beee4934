"""One difference between two versions of the specification, and whom it breaks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

SENDERS, RECEIVERS = "senders", "receivers"


@dataclass(frozen=True, slots=True)
class Witness:
    """A message that one version sends and the other does not take, and what the other says of it."""

    message: str
    body: Mapping[str, Any]
    why: str


@dataclass(frozen=True, slots=True)
class Change:
    """One difference: where, what it is, whom it breaks, and the witness where it is one of messages."""

    where: str
    what: str
    breaks: tuple[str, ...] = ()
    witness: Witness | None = None
    to_read: bool = False
    """Only a person can say what it means: the wording of a requirement."""

    def document(self) -> dict[str, Any]:
        """For programs."""
        return {
            "where": self.where,
            "what": self.what,
            "breaks": list(self.breaks),
            "to_read": self.to_read,
            "witness": asdict(self.witness) if self.witness else None,
        }

    def __str__(self) -> str:
        whom = f"breaks {' and '.join(self.breaks)}" if self.breaks else "compatible"
        return f"{self.where}: {self.what} ({'to be read by a person' if self.to_read else whom})"
