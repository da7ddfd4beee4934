"""The checks of `tables/order.toml` over what a node may be: each holds, does not hold, or may hold (None).

Written from the sentences of `tables/guards.toml`, never from the guards that nodes run.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.oracle.node_state import ENDED, UNDER_WAY, NodeState, drifted, not_below, reached
from protocol.site import CraneSite, NodeSite, PlaceKind, Site
from protocol.specification import specification

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Arrived:
    """An order that came to the node, and what was known of the node when it came."""

    number: int
    at_ms: float
    body: Body
    readable: bool | None = True
    """None where receivers may differ in whether they read it."""
    sure: bool = True
    """Whether it surely reaches the node's program."""
    late: bool | None = None
    """Whether the deadline had surely passed when it came; None where it may have."""
    bench: bool | None = None
    minor: int | None = None

    @property
    def act(self) -> str:
        """What it asks for; '' where it cannot be read."""
        return str(self.body.get("act", ""))

    @property
    def under(self) -> int | None:
        """The id that its report carries, where it is answered as an order of its own [ORD-14]."""
        under: int | None = self.body.get("ref", self.body.get("id"))
        return under


@dataclass(frozen=True, slots=True)
class Judged:
    """The node that is judged, as the site file has it."""

    site: Site
    node: NodeSite

    def role_of(self, act: str) -> int | None:
        """Which of its roles has the job `act`; None for what is no job of it."""
        spec = specification()
        if act not in spec.jobs:
            return None
        return next((n for n, role in enumerate(self.node.roles) if act in spec.acts_of(role)), None)

    def supports(self, act: str) -> bool:
        """Whether one of its roles takes the act."""
        return any(act in specification().acts_of(role) for role in self.node.roles)


Check = Callable[[NodeState, Arrived, Judged, int], bool | None]
"""Whether a check holds of a state, an order, the node and its boot."""


def _other_boot(_state: NodeState, order: Arrived, _judged: Judged, boot: int) -> bool | None:
    return bool(order.body["boot"] != boot)


def _repeat_of_job(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return None if state.job is None else order.body["id"] == state.job


def _cancel_of_job(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    if order.act != "cancel":
        return False
    return None if state.job is None else order.body["ref"] == state.job


def _at_or_below_mark(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return None if state.mark is None else order.body["id"] <= state.mark


def _cancel_of_later(_state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return order.act == "cancel" and bool(order.body["ref"] >= order.body["id"])


def _cancel_of_unseen(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    """Against the mark as it was before this order raised it; `handled` keeps it for this check."""
    if order.act != "cancel":
        return False
    return None if state.mark is None else bool(order.body["ref"] > state.mark)


def _cancel_of_forgotten(_state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return order.act == "cancel"


def _unsupported(_state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    return not judged.supports(order.act)


def _not_on_bench(_state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    if order.act not in ("stimulus", "set-uptime"):
        return False
    return None if order.bench is None else not order.bench


def _holds_moved_on(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    if order.act != "resume":
        return False
    return None if state.holds is None else order.body["holds"] != state.holds


def _faults_moved_on(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    if order.act != "reset-fault":
        return False
    return None if state.faults is None or not_below(order.body["faults"], state.faults) else True


def _finding_unfit(_state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    found, place = order.body.get("found"), order.body.get("place")
    if order.act != "reset-fault" or (found is None and place is None):
        return False
    node = judged.node
    fits = {
        "crane": found in ("none", "box") and place is None,
        "berth": found == "none" and place is None,
        "shuttle": node.shuttle is not None and place in node.shuttle.stops,
    }
    return not any(fits[role] for role in node.roles if role in fits)


def _past_deadline(_state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return order.late if "deadline" in order.body else False


def _job_open(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return state.open if order.act in specification().jobs else False


def _is_held(state: NodeState, order: Arrived, _judged: Judged, _boot: int) -> bool | None:
    return state.held if order.act in specification().jobs else False


def _mode_forbids(state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    return _no_row(state, order, judged, crane=True)


def _state_forbids(state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    return _no_row(state, order, judged, crane=False)


def _no_row(state: NodeState, order: Arrived, judged: Judged, *, crane: bool) -> bool | None:
    role = judged.role_of(order.act)
    if role is None or (judged.node.roles[role] == "crane") != crane:
        return False
    states = state.roles[role]
    if states is None:
        return None
    taking = _taking(judged.node.roles[role], order.act)
    may_be = drifted(judged.node.roles[role], states)
    return False if may_be <= taking else None if may_be & taking else True


def _taking(role: str, act: str) -> frozenset[str]:
    table = specification().tables[role]
    return frozenset(row.state for row in table.transitions if row.event == act)


def _load_forbids(state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    if order.act != "transfer" or judged.role_of("transfer") is None:
        return False
    return None if state.load is None else state.load != ("none" if "from" in order.body else "box")


def _place_unknown(_state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    if judged.role_of(order.act) is None:
        return False
    node, body = judged.node, order.body
    if order.act == "run" and node.shuttle is not None:
        return body["to"] not in node.shuttle.stops
    if order.act != "transfer" or node.crane is None:
        return False
    places = {name: judged.site.places[name] for name, _ in _ends(body) if name in judged.site.places}
    for name, slot in _ends(body):
        known = node.crane.places.get(name)
        if known is None or slot >= len(known.slots):
            return True
        kind = places[name].kind if name in places else None
        lacks = {PlaceKind.TRACK: "reading", PlaceKind.DECK: "stop"}.get(kind) if kind else None
        if lacks is not None and lacks not in body:
            return True
    tracks = {name for name, place in places.items() if place.kind is PlaceKind.TRACK}
    return len(tracks) > 1


def _outside_table(_state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    crane = judged.node.crane
    if order.act != "transfer" or crane is None or "reading" not in order.body:
        return False
    tables = [crane.places[name].table for name, _ in _ends(order.body) if name in crane.places]
    reading = order.body["reading"]
    return any(not table[0][0] <= reading <= table[-1][0] for table in tables if table)


def _out_of_reach(_state: NodeState, order: Arrived, judged: Judged, _boot: int) -> bool | None:
    crane = judged.node.crane
    if crane is None or order.act not in ("transfer", "jog"):
        return False
    if order.act == "jog":
        return not _reaches(crane, order.body["target"], 0)
    found = [_target_reached(crane, order.body, name, slot) for name, slot in _ends(order.body)]
    return True if True in found else None if None in found else False


def _target_reached(crane: CraneSite, body: Body, name: str, slot: int) -> bool | None:
    """Whether a slot lies outside; None within one unit of a limit, for a board may round as it likes."""
    known = crane.places.get(name)
    if known is None or slot >= len(known.slots):
        return None
    first, *others = known.slots[slot]
    if known.table:
        if "reading" not in body or not known.table[0][0] <= body["reading"] <= known.table[-1][0]:
            return None
        first += _between(known.table, body["reading"])
    target = [first, *others]
    if known.table and _reaches(crane, target, 1) != _reaches(crane, target, -1):
        return None
    return not _reaches(crane, target, 0)


def _between(table: tuple[tuple[int, int], ...], reading: int) -> int:
    """Linear between two entries [CRN-06]."""
    after = min(bisect_right([x for x, _ in table], reading), len(table) - 1)
    (x0, y0), (x1, y1) = table[after - 1], table[after]
    return round(y0 + (y1 - y0) * (reading - x0) / (x1 - x0))


def _reaches(crane: CraneSite, target: list[int], margin: int) -> bool:
    return len(target) == len(crane.axes) and all(
        axis.least - margin <= at <= axis.most + margin for axis, at in zip(crane.axes, target, strict=True)
    )


def _ends(body: Body) -> list[tuple[str, int]]:
    ends = [(body["from"], body["from_slot"])] if "from" in body else []
    return [*ends, (body["to"], body["to_slot"])]


CHECKS: dict[str, Check] = {
    "other_boot": _other_boot,
    "repeat_of_job": _repeat_of_job,
    "cancel_of_job": _cancel_of_job,
    "at_or_below_mark": _at_or_below_mark,
    "cancel_of_later": _cancel_of_later,
    "cancel_of_unseen": _cancel_of_unseen,
    "cancel_of_forgotten": _cancel_of_forgotten,
    "unsupported": _unsupported,
    "not_on_bench": _not_on_bench,
    "holds_moved_on": _holds_moved_on,
    "faults_moved_on": _faults_moved_on,
    "finding_unfit": _finding_unfit,
    "past_deadline": _past_deadline,
    "job_open": _job_open,
    "is_held": _is_held,
    "mode_forbids": _mode_forbids,
    "state_forbids": _state_forbids,
    "load_forbids": _load_forbids,
    "place_unknown": _place_unknown,
    "outside_table": _outside_table,
    "out_of_reach": _out_of_reach,
}
"""Check by its name in the table; those that a node does not decide by its state are not here."""


def narrowed(check: str, state: NodeState, order: Arrived, judged: Judged, *, holds: bool) -> NodeState:
    """What is left of a state where a check that may hold is found to hold, or not to."""
    if check == "job_open":
        if state.job is None:
            return state
        return state._replace(job_states=reached(state.job_states) & (UNDER_WAY if holds else ENDED))
    if check == "is_held":
        return state._replace(held=holds)
    if check in ("mode_forbids", "state_forbids"):
        role = judged.role_of(order.act)
        states = None if role is None else state.roles[role]
        if role is None or states is None:
            return state
        name = judged.node.roles[role]
        taking, may_be = _taking(name, order.act), drifted(name, states)
        left = may_be - taking if holds else may_be & taking
        return state._replace(roles=(*state.roles[:role], left, *state.roles[role + 1 :]))
    if check == "faults_moved_on" and state.faults is not None:
        named = order.body["faults"]
        if not holds:
            return state._replace(faults=named)
        return state._replace(faults=(state.faults + 1) % 65536) if named == state.faults else state
    if check == "holds_moved_on" and not holds:
        return state._replace(holds=order.body["holds"])
    return state
