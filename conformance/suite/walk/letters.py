"""What can befall a node, in relative terms: the next id, the last job's, another boot. The letters of a walk."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from conformance.suite.walk.desk import Desk
from protocol.counting import UPTIME_MODULUS

Order = dict[str, Any]
BOX = "probe-box"
SHORT_OF_WRAP_MS = 200
LATE_MS = 2_000
FAILURE = (("motor-power", False, 0), ("motor-power", True, 100))
"""Motor power goes, and comes back."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """The numbers that an order is relative to."""

    boot: int
    other_boot: int
    mark: int
    fresh: int
    """The next id that nobody has used; the one behind it is free too."""
    stale: int
    """An id at or below the mark that is no job's."""
    job: int
    last: Mapping[str, Any]
    """The order of the current or last job; empty before the first."""
    holds: int
    faults: int
    uptime: int
    lead_ms: int
    load: str = ""
    place: str = ""
    """Where the shuttle stands."""
    position: int = 0
    """Position of the crane's first axis."""
    chance: int = 0
    """Chooses among orders that mean the same."""

    @property
    def deadline(self) -> int:
        """One that is in time."""
        return (self.uptime + self.lead_ms) % UPTIME_MODULUS

    @property
    def too_late(self) -> int:
        """One that has passed."""
        return (self.uptime - LATE_MS) % UPTIME_MODULUS


def always(_desk: Desk) -> bool:
    """Whatever the state."""
    return True


@dataclass(frozen=True, slots=True)
class Letter:
    """One thing that befalls a node.

    kind      order | retained | bytes | sensors | link | play | hand: how it is brought about
    written   all | strange | tail: an order on the topic of all, with a field that nobody knows, glued to another
    happens   the event behind it, where the order alone does not say what follows
    role      what the role of a job says of the order: `knows_place`, `within_reach`
    """

    name: str
    says: str
    kind: str = "order"
    order: Callable[[Numbers], Order] | None = None
    happens: str = ""
    written: str = ""
    moves: bool = False
    """Whether a conformant node may move."""
    applies: Callable[[Desk], bool] = always
    role: Mapping[str, bool] = field(default_factory=dict)
    act: str = ""
    """Act of the job that begins with it: a transfer from the spreader is called 'set-down'."""

    def __str__(self) -> str:
        return self.name


def to_node(act: str, n: Numbers, **fields: Any) -> Order:
    """An order of a fresh id for this boot."""
    return {"act": act, "boot": n.boot, "id": n.fresh, **fields}
