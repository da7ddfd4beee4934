"""The checks of an order that `v1/tables/order.toml` names: small functions that answer and change nothing.

Each sees an order and what its node knows (`NodeFacts`). What it asks stands in words and as a formula in
`v1/tables/guards.toml`, which a test holds to these functions. The guards of the other tables are in
`protocol.machine_guards`.
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
    """The order is an ask, which is answered whatever its boot or id [ORD-03]."""
    return bool(order["act"] == "ask")


def hold(order: Order, node: NodeFacts) -> bool:
    """The order is a hold, which is obeyed whatever its boot or id [HLD-01]."""
    return bool(order["act"] == "hold")


def other_boot(order: Order, node: NodeFacts) -> bool:
    """The order is meant for another boot of the node [ORD-05]."""
    return bool(order["boot"] != node.boot)


def claim(order: Order, node: NodeFacts) -> bool:
    """The order is a claim; the mark that is answered says whether it counts [CLM-01, CLM-02]."""
    return bool(order["act"] == "claim")


def repeat_of_job(order: Order, node: NodeFacts) -> bool:
    """The order has the id of the current or last job: it is not done again [ORD-06]."""
    return node.job is not None and order["id"] == node.job.id


def cancel_of_job(order: Order, node: NodeFacts) -> bool:
    """The order is a cancel of the current or last job, whatever its own id [ORD-17]."""
    return order["act"] == "cancel" and node.job is not None and order["ref"] == node.job.id


def at_or_below_mark(order: Order, node: NodeFacts) -> bool:
    """The id is not above the highest one handled in this boot [ORD-07]."""
    return bool(order["id"] <= node.mark)


def cancel_of_later(order: Order, node: NodeFacts) -> bool:
    """The order is a cancel of one with its own id or a later one, which its mark does not keep out [ORD-21]."""
    return bool(order["act"] == "cancel" and order["ref"] >= order["id"])


def cancel_of_unseen(order: Order, node: NodeFacts) -> bool:
    """The order is a cancel of an id that is above the mark as it was before this order [ORD-18]."""
    return bool(order["act"] == "cancel" and order["ref"] > node.mark_before)


def cancel_of_forgotten(order: Order, node: NodeFacts) -> bool:
    """The order is a cancel of an id that may have been seen, and of which nothing is known any more [ORD-07]."""
    return bool(order["act"] == "cancel")


def unsupported(order: Order, node: NodeFacts) -> bool:
    """The act is one that none of the node's roles takes [ORD-13]."""
    return not any(order["act"] in specification().acts_of(role) for role in node.roles)


def not_on_bench(order: Order, node: NodeFacts) -> bool:
    """The act is one for the bench, and the node is in service [BEN-01]."""
    return order["act"] in ("stimulus", "set-uptime") and not node.bench


def holds_moved_on(order: Order, node: NodeFacts) -> bool:
    """A resume names another count of holds than the node's own [HLD-04]."""
    return bool(order["act"] == "resume" and order["holds"] != node.holds)


def faults_moved_on(order: Order, node: NodeFacts) -> bool:
    """A reset-fault names another count of faults than the node's own [FLT-04]."""
    return bool(order["act"] == "reset-fault" and order["faults"] != node.faults)


def finding_unfit(order: Order, node: NodeFacts) -> bool:
    """A reset-fault says what a person found, and that can be true of none of the node's roles [BER-07, SHT-06]."""
    if order["act"] != "reset-fault" or not ("found" in order or "place" in order):
        return False
    return not any(role.finding_fits(order) for role in node.roles.values())


def past_deadline(order: Order, node: NodeFacts) -> bool:
    """The order has a deadline, and it lies before the node's uptime [ORD-10, ORD-11]."""
    return "deadline" in order and uptime_difference(node.uptime, order["deadline"]) > 0


def job_open(order: Order, node: NodeFacts) -> bool:
    """The order is a job, and the node has one that has not ended [ORD-12]."""
    return order["act"] in specification().jobs and node.job is not None and node.job.is_open


def is_held(order: Order, node: NodeFacts) -> bool:
    """The order is a job, and a hold stands [HLD-03]."""
    return order["act"] in specification().jobs and node.held


def mode_forbids(order: Order, node: NodeFacts) -> bool:
    """The table of crane modes has no row for the act in the present mode [CRN-03]."""
    role = node.role_for(order["act"])
    return role is not None and role.name == "crane" and not role.allows(order["act"])


def state_forbids(order: Order, node: NodeFacts) -> bool:
    """The table of the berth or shuttle has no row for the act in the present state [BER-03, SHT-03]."""
    role = node.role_for(order["act"])
    return role is not None and role.name != "crane" and not role.allows(order["act"])


def load_forbids(order: Order, node: NodeFacts) -> bool:
    """The spreader does not hold what the transfer needs: a box without 'from', nothing with it [CRN-08, CRN-09]."""
    role = node.role_for(order["act"])
    return role is not None and not role.load_fits(order)


def place_unknown(order: Order, node: NodeFacts) -> bool:
    """A place or slot is not known, or what it takes to find it today is missing [CRN-05, CRN-07, SHT-03]."""
    role = node.role_for(order["act"])
    return role is not None and not role.knows_place(order)


def outside_table(order: Order, node: NodeFacts) -> bool:
    """The rest reading lies outside the measured table of the crane [CRN-06]."""
    role = node.role_for(order["act"])
    return role is not None and not role.within_table(order)


def out_of_reach(order: Order, node: NodeFacts) -> bool:
    """An axis cannot go where the order sends it [CRN-04]."""
    role = node.role_for(order["act"])
    return role is not None and not role.within_reach(order)


OrderGuard = Callable[[Order, NodeFacts], bool]

ORDER_GUARDS: dict[str, OrderGuard] = {
    guard.__name__: guard
    for guard in (
        ask, hold, other_boot, claim, repeat_of_job, cancel_of_job, at_or_below_mark,
        cancel_of_later, cancel_of_unseen, cancel_of_forgotten, unsupported, not_on_bench, holds_moved_on,
        faults_moved_on, finding_unfit, past_deadline, job_open, is_held, mode_forbids,
        state_forbids, load_forbids, place_unknown, outside_table, out_of_reach,
    )
}  # fmt: skip
"""Check name of `order.toml` to guard. `unreadable`, `raise-mark` and `fit` are no questions."""
