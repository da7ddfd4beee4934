"""Something that a node did wrong while it was fuzzed."""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """What was seen, and the requirement that it goes against."""

    requirement: str
    what: str
    at: int = 0
    """Number of the trace at which it showed; 0 for what did not come."""

    @property
    def key(self) -> str:
        """The same for findings that differ in their numbers only: those are one group."""
        return self.requirement + " " + re.sub(r"-?\d+(\.\d+)?", "#", self.what)

    def __str__(self) -> str:
        return f"{self.requirement}: {self.what}"
