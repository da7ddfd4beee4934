"""A node as its order desk shows it, and what one happening makes of it."""

from __future__ import annotations

from dataclasses import dataclass

from protocol.specification import OPEN


@dataclass(frozen=True, slots=True, order=True)
class Desk:
    """What decides on the next order, its numbers (mark, counts, ids) left out: orders are relative to these."""

    machines: tuple[str, ...]
    """Mode or state of each role, in the order of the site file."""
    job: str = "none"
    """State of the current or last job."""
    act: str = ""
    """Act of the open job; '' where none is open."""
    picked: bool = False
    """Whether the open job is past return."""
    held: bool = False
    load: str = ""
    """What the spreader holds; '' for a node without crane."""
    homed: bool = False
    """Whether the position of every axis of the crane is known."""

    @property
    def open(self) -> bool:
        """Whether a job is open."""
        return self.job in OPEN

    @property
    def moving(self) -> bool:
        """Whether a motor may be on by itself."""
        return self.open and not self.held

    def __str__(self) -> str:
        words = [" ".join(self.machines)]
        if self.open:
            words.append(f"{self.act} {self.job}" + (" past return" if self.picked else ""))
        else:
            words.append("no job" if self.job == "none" else f"job {self.job}")
        words += [f"load {self.load}"] if self.load not in ("", "none") else []
        words += ["held"] if self.held else []
        return ", ".join(words)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What may follow on one happening: the answer, and the node behind it."""

    next: Desk
    said: tuple[str, str | None] | None
    """State and reason of the report, None as reason for any; None where there must be no report."""
    requirement: str
    """What the answer rests on."""
    raised: bool = False
    """Whether the mark is then the id of the order."""
    begun: bool = False
    """Whether the order becomes the node's job."""
    holds: int = 0
    faults: int = 0
    arrivals: int = 0
    stops: tuple[int, ...] = (0,)
    """By how much each count goes up; of stops what it may go up by."""
    may_move: bool = False
    """Whether a motor may be switched on."""
