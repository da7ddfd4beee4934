"""The guards that the tables under `v1/tables/` name: small functions that answer and change nothing.

A guard of `order.toml` sees an order and what its node knows (`NodeFacts`); a guard of the other tables sees
the facts of one machine. The requirement that a guard enforces stands beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from protocol.counting import uptime_difference
from protocol.specification import specification

Order = Mapping[str, Any]


class JobFacts(Protocol):
    """The current or last job of a node."""

    @property
    def id(self) -> int:
        """Id of the order that began it."""

    @property
    def is_open(self) -> bool:
        """Whether it is not in a final state."""


class RoleFacts(Protocol):
    """What the role that an order is meant for says to it."""

    @property
    def name(self) -> str:
        """crane, berth or shuttle."""

    def allows(self, act: str) -> bool:
        """Whether the present mode or state has a way on for `act`."""

    def load_fits(self, order: Order) -> bool:
        """Whether the spreader holds what the order needs."""

    def knows_place(self, order: Order) -> bool:
        """Whether every place and slot is known, with what it takes to find it today."""

    def within_table(self, order: Order) -> bool:
        """Whether the rest reading lies inside the measured table."""

    def within_reach(self, order: Order) -> bool:
        """Whether every axis can go where the order sends it."""

    def finding_fits(self, order: Order) -> bool:
        """Whether what a person found can be true of this role."""


class NodeFacts(Protocol):
    """What a node knows when an order comes in."""

    @property
    def boot(self) -> int:
        """Number of this boot."""

    @property
    def mark(self) -> int:
        """The highest order id handled in this boot."""

    @property
    def mark_before(self) -> int:
        """The mark as it was before this order raised it."""

    @property
    def uptime(self) -> int:
        """Uptime in ms, 32 bits."""

    @property
    def bench(self) -> bool:
        """Whether the node was started in bench mode."""

    @property
    def held(self) -> bool:
        """Whether a hold stands."""

    @property
    def holds(self) -> int:
        """Count of holds obeyed."""

    @property
    def faults(self) -> int:
        """Count of faults of level halt."""

    @property
    def job(self) -> JobFacts | None:
        """The current or last job of this boot."""

    @property
    def roles(self) -> Mapping[str, RoleFacts]:
        """The roles of the node by name."""

    def role_for(self, act: str) -> RoleFacts | None:
        """The role that takes the job `act`, if one of this node's does."""


def ask(order: Order, node: NodeFacts) -> bool:
    """ORD-03."""
    return bool(order["act"] == "ask")


def hold(order: Order, node: NodeFacts) -> bool:
    """HLD-01."""
    return bool(order["act"] == "hold")


def other_boot(order: Order, node: NodeFacts) -> bool:
    """ORD-05."""
    return bool(order["boot"] != node.boot)


def claim(order: Order, node: NodeFacts) -> bool:
    """CLM-01, CLM-02."""
    return bool(order["act"] == "claim")


def repeat_of_job(order: Order, node: NodeFacts) -> bool:
    """ORD-06."""
    return node.job is not None and order["id"] == node.job.id


def cancel_of_job(order: Order, node: NodeFacts) -> bool:
    """ORD-17."""
    return order["act"] == "cancel" and node.job is not None and order["ref"] == node.job.id


def at_or_below_mark(order: Order, node: NodeFacts) -> bool:
    """ORD-07."""
    return bool(order["id"] <= node.mark)


def cancel_of_unseen(order: Order, node: NodeFacts) -> bool:
    """ORD-18."""
    return bool(order["act"] == "cancel" and order["ref"] > node.mark_before)


def cancel_of_forgotten(order: Order, node: NodeFacts) -> bool:
    """ORD-07: an order that may have been seen, and of which nothing is known any more."""
    return bool(order["act"] == "cancel")


def unsupported(order: Order, node: NodeFacts) -> bool:
    """ORD-13."""
    return not any(order["act"] in specification().acts_of(role) for role in node.roles)


def not_on_bench(order: Order, node: NodeFacts) -> bool:
    """BEN-01."""
    return order["act"] in ("stimulus", "set-uptime") and not node.bench


def holds_moved_on(order: Order, node: NodeFacts) -> bool:
    """HLD-04."""
    return bool(order["act"] == "resume" and order["holds"] != node.holds)


def faults_moved_on(order: Order, node: NodeFacts) -> bool:
    """FLT-04."""
    return bool(order["act"] == "reset-fault" and order["faults"] != node.faults)


def finding_unfit(order: Order, node: NodeFacts) -> bool:
    """A finding that can be true of none of the node's roles."""
    if order["act"] != "reset-fault" or not ("found" in order or "place" in order):
        return False
    return not any(role.finding_fits(order) for role in node.roles.values())


def past_deadline(order: Order, node: NodeFacts) -> bool:
    """ORD-10, ORD-11."""
    return "deadline" in order and uptime_difference(node.uptime, order["deadline"]) > 0


def job_open(order: Order, node: NodeFacts) -> bool:
    """ORD-12."""
    return order["act"] in specification().jobs and node.job is not None and node.job.is_open


def is_held(order: Order, node: NodeFacts) -> bool:
    """HLD-03."""
    return order["act"] in specification().jobs and node.held


def mode_forbids(order: Order, node: NodeFacts) -> bool:
    """CRN-03."""
    role = node.role_for(order["act"])
    return role is not None and role.name == "crane" and not role.allows(order["act"])


def state_forbids(order: Order, node: NodeFacts) -> bool:
    """BER-03, SHT-03."""
    role = node.role_for(order["act"])
    return role is not None and role.name != "crane" and not role.allows(order["act"])


def load_forbids(order: Order, node: NodeFacts) -> bool:
    """CRN-08, CRN-09."""
    role = node.role_for(order["act"])
    return role is not None and not role.load_fits(order)


def place_unknown(order: Order, node: NodeFacts) -> bool:
    """CRN-05, CRN-07, SHT-03."""
    role = node.role_for(order["act"])
    return role is not None and not role.knows_place(order)


def outside_table(order: Order, node: NodeFacts) -> bool:
    """CRN-06."""
    role = node.role_for(order["act"])
    return role is not None and not role.within_table(order)


def out_of_reach(order: Order, node: NodeFacts) -> bool:
    """CRN-04."""
    role = node.role_for(order["act"])
    return role is not None and not role.within_reach(order)


OrderGuard = Callable[[Order, NodeFacts], bool]

ORDER_GUARDS: dict[str, OrderGuard] = {
    guard.__name__: guard
    for guard in (
        ask, hold, other_boot, claim, repeat_of_job, cancel_of_job, at_or_below_mark,
        cancel_of_unseen, cancel_of_forgotten, unsupported, not_on_bench, holds_moved_on,
        faults_moved_on, finding_unfit, past_deadline, job_open, is_held, mode_forbids,
        state_forbids, load_forbids, place_unknown, outside_table, out_of_reach,
    )
}  # fmt: skip
"""Check name of `order.toml` to guard. `unreadable`, `raise-mark` and `fit` are no questions."""


class JobProgress(Protocol):
    """How far the open job has come."""

    @property
    def past_return(self) -> bool:
        """Whether something was picked, or moved so far that it cannot be as if nothing had been."""


class CraneFacts(Protocol):
    """What the table of crane modes asks of a crane."""

    @property
    def every_axis_homed(self) -> bool:
        """Whether the position of every axis is known."""


def nothing_picked(job: JobProgress) -> bool:
    """ORD-17: the cancel ends the job."""
    return not job.past_return


def picked(job: JobProgress) -> bool:
    """ORD-17: the job goes on."""
    return job.past_return


def every_axis_homed(crane: CraneFacts) -> bool:
    """After a fault that left the positions known."""
    return crane.every_axis_homed


def an_axis_unhomed(crane: CraneFacts) -> bool:
    """After a fault that did not."""
    return not crane.every_axis_homed


def track_found_empty(order: Order) -> bool:
    """BER-07: only a person can see an empty track."""
    return bool(order.get("found") == "none")


def place_found(order: Order) -> bool:
    """SHT-06: only a person can see where the shuttle stands."""
    return "place" in order


def stop_is_target(facts: Mapping[str, str]) -> bool:
    """The stop that was reached, `stop`, is the one that was meant, `target`."""
    return facts["stop"] == facts["target"]


def stop_is_other(facts: Mapping[str, str]) -> bool:
    """One of the stops on the way."""
    return facts["stop"] != facts["target"]


def nothing_said(order: Order) -> bool:
    """What was said does not settle it. Stands behind the row whose guard asks for what would."""
    return True
