"""The tables of the specification: transitions of a machine, pairs without one, and the checks of an order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Transition:
    """One row of a transition table; `guard` is '' where nothing guards it."""

    state: str
    event: str
    guard: str
    next: str
    sends: tuple[str, ...]
    since: int = 0
    """The minor version from which on a participant follows it."""


@dataclass(frozen=True, slots=True)
class NoWay:
    """Pairs of state and event for which a table has no row, or none whose guard holds, and why."""

    kind: str
    """'ignored': it may happen, and changes nothing. 'impossible': whoever lets it happen is at fault."""
    states: tuple[str, ...]
    events: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Table:
    """States and transitions of one machine of the protocol."""

    name: str
    title: str
    states: tuple[str, ...]
    initial: str
    final: tuple[str, ...]
    transitions: tuple[Transition, ...]
    begins_anew: tuple[str, ...] = field(default=(), compare=False)
    """Events that lead out of a final state, because they begin another life of the machine."""
    no_ways: tuple[NoWay, ...] = field(default=(), compare=False)
    """Says why there is no row; two versions of a table are compared by their rows."""
    event_words: Mapping[str, str] = field(default_factory=dict, compare=False, hash=False)
    """When each event happens, in words."""

    @property
    def events(self) -> tuple[str, ...]:
        """Every event, in the order in which they first stand in a row."""
        return tuple(dict.fromkeys(row.event for row in self.transitions))

    def no_way(self, state: str, event: str) -> NoWay | None:
        """What the table says of `event` in `state` where no row can be taken; None where it says nothing."""
        found = (one for one in self.no_ways if state in one.states and event in one.events)
        return next(found, None)

    def rows(self, state: str, event: str) -> Iterator[Transition]:
        """The transitions out of `state` for `event`, in the order of the table."""
        return (row for row in self.leaving(state) if row.event == event)

    def leaving(self, state: str) -> Iterator[Transition]:
        """The transitions out of `state`, for any event, in the order of the table."""
        return (row for row in self.transitions if row.state == state)

    def allows(self, before: str, after: str) -> bool:
        """Whether a node may go from `before` to `after` in one step; staying is always allowed."""
        return before == after or any(row.next == after for row in self.leaving(before))


@dataclass(frozen=True, slots=True)
class Check:
    """One check of an order, what the node does where it holds, and the reason it then gives."""

    name: str
    does: str
    reason: str
    since: int = 0
    """The minor version from which on a node makes it."""
