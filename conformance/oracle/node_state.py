"""One thing that a node may be: everything of it that orders and messages depend on.

What is not known is None. A judge holds a set of these; together they are all that the node may be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any, NamedTuple

from protocol.counting import COUNT_MODULUS
from protocol.specification import FINAL, OPEN, specification

States = frozenset[str]
ORDERED = frozenset({"order", "cancel", "repeat"})
"""Events of the job's table that only an order brings about."""
BY_ITSELF = {"crane": ("halt", "by-hand", "by-hand-end"), "berth": ("halt",), "shuttle": ("halt",)}
"""Events that may befall a machine with no job open."""
AT_REST = {
    "crane": frozenset({"unhomed", "ready", "faulted", "manual"}),
    "berth": frozenset({"empty", "at-rest", "lost"}),
    "shuttle": frozenset({"at-place", "lost"}),
}
"""States out of which only an order leads, or what may befall a machine at any time."""
ENDED = frozenset(FINAL)
UNDER_WAY = frozenset(OPEN)


class Outcome(NamedTuple):
    """One answer that may be given: state and reason, None for any reason, and the requirement behind it."""

    state: str
    reason: str | None
    requirement: str


class Owed(NamedTuple):
    """A report that the node has to give, for an order that it has handled."""

    number: int
    """Trace number of the order."""
    at_ms: float
    act: str
    id: int | None
    """The id that the report carries; None in the answer to an ask, and where the job is not known."""
    token: int | None
    boot: int | None
    outcomes: frozenset[Outcome]
    """Every answer that may be given; empty for any."""
    mark: int | None
    """The mark when the order was handled."""
    begins: bool = False
    """Whether it is the first report of a job."""
    claimant: int | None = None
    """The token that the report on a claim names; None for none, -1 where that is not known."""
    deadline: int | None = None
    told: States = frozenset()
    """The state messages that came since the order was handled."""


class NodeState(NamedTuple):
    """What a node may be, in one boot."""

    handled: int = 0
    """How many of the orders that came it has handled."""
    owed: tuple[Owed, ...] = ()
    """The reports that are still to come, in their order [ORD-02]."""
    mark: int | None = None
    claimant: int | None = -1
    """Token of the claim that raised the mark; None where none did, -1 where that is not known."""
    held: bool | None = None
    holds: int | None = None
    hold_token: int | None = -1
    """Token of the newest hold; None where it had none, -1 where that is not known."""
    job: int | None = None
    """Id of the current or last job, 0 before the first."""
    act: str = ""
    """Its act; '' where that is not known."""
    job_states: States = frozenset()
    """What it may have been when it was last heard of."""
    past_return: bool = False
    """Whether something was surely picked."""
    faults: int | None = None
    """The least count of faults."""
    roles: tuple[States | None, ...] = ()
    """Of each role every state that it may have been in when it was last heard of."""
    load: str | None = None
    """What the spreader of its crane holds."""
    arrivals: int | None = None

    def having_told(self, name: str) -> NodeState:
        """The state after a state message: each ask that was handled waits for all of them [ORD-03]."""
        if not any(one.act == "ask" and name not in one.told for one in self.owed):
            return self
        owed = (one._replace(told=one.told | {name}) if one.act == "ask" else one for one in self.owed)
        return self._replace(owed=tuple(owed))

    @property
    def open(self) -> bool | None:
        """Whether a job is open; None where it may be: what is under way may have ended by itself."""
        if self.job is None or reached(self.job_states) & UNDER_WAY:
            return None
        return False

    @property
    def may_move(self) -> bool:
        """Whether a motor may be switched on."""
        return not self.held and self.open is not False


@cache
def reached(states: States) -> States:
    """The states that a job in one of `states` may be in later on, with no order."""
    ways = [row for row in specification().tables["job"].transitions if row.event not in ORDERED]
    return _closure(states, ((row.state, row.next) for row in ways))


@cache
def drifted(role: str, states: States) -> States:
    """The states that a machine at rest may be in later on, with no order."""
    ways = [row for row in specification().tables[role].transitions if row.event in BY_ITSELF[role]]
    return _closure(states, ((row.state, row.next) for row in ways))


def _closure(states: States, ways: Iterable[tuple[str, str]]) -> States:
    pairs, known = list(ways), set(states)
    while more := {to for was, to in pairs if was in known} - known:
        known |= more
    return frozenset(known)


def not_below(count: int, least: int) -> bool:
    """Whether a count that wraps is `least` or one that comes after it."""
    return (count - least) % COUNT_MODULUS < COUNT_MODULUS // 2


def united(states: Iterable[NodeState]) -> list[NodeState]:
    """Fewer states that leave at least as much open: those that have handled and owe the same become one.

    The widening of abstract interpretation; it only makes the judge say less.
    """
    groups: dict[tuple[int, ...], NodeState] = {}
    for one in states:
        key = one.handled, *(owed.number for owed in one.owed)
        groups[key] = _joined(groups[key], one) if key in groups else one
    return list(groups.values())


def _joined(one: NodeState, other: NodeState) -> NodeState:
    values: dict[str, Any] = {}
    for name in NodeState._fields:
        mine, yours = getattr(one, name), getattr(other, name)
        values[name] = mine if mine == yours else None
    values["owed"] = tuple(_joined_owed(pair) for pair in zip(one.owed, other.owed, strict=True))
    values["hold_token"] = one.hold_token if one.hold_token == other.hold_token else -1
    values["claimant"] = one.claimant if one.claimant == other.claimant else -1
    values["job_states"] = one.job_states | other.job_states
    values["past_return"] = one.past_return and other.past_return
    values["act"] = one.act if one.act == other.act else ""
    if None not in (one.faults, other.faults):
        values["faults"] = one.faults if not_below(other.faults or 0, one.faults or 0) else other.faults
    values["roles"] = tuple(
        None if mine is None or yours is None else mine | yours
        for mine, yours in zip(one.roles, other.roles, strict=True)
    )
    return NodeState(**values)


def _joined_owed(pair: tuple[Owed, Owed]) -> Owed:
    one, other = pair
    return one._replace(
        outcomes=one.outcomes | other.outcomes,
        id=one.id if one.id == other.id else None,
        mark=one.mark if one.mark == other.mark else None,
        begins=one.begins and other.begins,
        claimant=one.claimant if one.claimant == other.claimant else -1,
        told=one.told | other.told,
        deadline=one.deadline if one.deadline == other.deadline else None,
    )


def distinct(states: Iterable[NodeState]) -> Iterator[NodeState]:
    """Each state once, in the order in which they first come."""
    return iter(dict.fromkeys(states))
