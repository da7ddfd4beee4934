"""What an order does to a node, check by check: what is certain has one answer, what is not leaves both open."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.answers import Mismatch
from conformance.oracle.node_state import NodeState
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_effects import handled
from conformance.oracle.state_set import StateSet
from protocol.site_file import scenario

SITE = scenario()
BOOT, MARK, FAR = 7, 512, 10_000
TOP = 2**32
"""Where uptime wraps: 49.7 days of milliseconds."""


def state(node: str = "ferry", **known: Any) -> NodeState:
    """A node of which everything is known; a shuttle at a place, a crane that is ready, a berth that is empty."""
    place = {"ferry": "at-place", "north": "ready", "south": "ready", "siding": "empty"}[node]
    usual: dict[str, Any] = {
        "mark": MARK, "claimant": None, "held": False, "holds": 0, "job": 0, "faults": 0, "load": "none",
        "roles": (frozenset({place}),), "arrivals": 0,
    }  # fmt: skip
    return NodeState(**usual | known)


def answers(
    body: dict[str, Any], node: str = "ferry", late: bool | None = False, **known: Any
) -> set[tuple[str, str | None, str]]:
    """Every answer that an order may be given, with the requirement behind it."""
    order = Arrived(1, 0.0, {"boot": BOOT, "id": MARK + 1} | body, late=late, bench=True)
    every = handled(state(node, **known), order, Judged(SITE, SITE.nodes[node]), BOOT)
    return {
        (one.state, one.reason, one.requirement)
        for after in every
        for owed in after.owed
        for one in owed.outcomes
    }


STALE, TOO_LATE = ("refused", "stale", "CLM-02"), ("running", "too-late", "ORD-17")
ENDED = {("done", None, "ORD-17"), ("failed", None, "ORD-17")}
RUNNING = {"job": 9, "act": "run", "job_states": frozenset({"running"})}
RUN = {"act": "run", "to": "quay-s", "deadline": FAR}
JOG = {"act": "jog", "deadline": FAR}
TAKEN = {("accepted", None, "ORD-15")}
DONE = frozenset({"done"})


@pytest.mark.parametrize(
    ("body", "known", "expected"),
    [
        (RUN, {"job": 0}, {*TAKEN, ("refused", "state", "SHT-03")}),  # it may have been pushed
        (RUN | {"boot": 8}, {}, {("refused", "wrong-boot", "ORD-05")}),
        (RUN | {"id": MARK}, {}, {("refused", "stale", "ORD-07")}),
        (RUN, {"held": True}, {("refused", "held", "HLD-03")}),
        (RUN | {"to": "nowhere"}, {}, {("refused", "place", "SHT-03"), ("refused", "state", "SHT-03")}),
        (RUN, {"roles": (frozenset({"lost"}),)}, {("refused", "state", "SHT-03")}),
        (JOG | {"target": [0]}, {}, {("refused", "unsupported", "ORD-13")}),
        (RUN, {"job": 9, "act": "run", "job_states": DONE, "held": True}, {("refused", "held", "HLD-03")}),
        (RUN | {"id": 9}, {"job": 9, "act": "run", "job_states": DONE}, {("done", None, "ORD-06")}),
        ({"act": "claim"}, {}, {("done", None, "CLM-01")}),
        ({"act": "claim", "id": MARK}, {}, {("done", None, "CLM-02")}),
        ({"act": "claim", "id": MARK - 1}, {}, {("refused", "stale", "CLM-02")}),
        ({"act": "claim"}, {"mark": None}, {("done", None, "CLM-01"), ("done", None, "CLM-02"), STALE}),
        ({"act": "resume", "holds": 1}, {"holds": 0}, {("refused", "holds-count", "HLD-04")}),
        ({"act": "resume", "holds": 1}, {"holds": 1, "held": True}, {("done", None, "HLD-05")}),
        ({"act": "reset-fault", "faults": 1}, {"faults": 2}, {("refused", "fault-count", "FLT-04")}),
        ({"act": "reset-fault", "faults": 2, "found": "box"}, {"faults": 3}, {("refused", "fault-count", "FLT-04")}),
        ({"act": "cancel", "ref": MARK}, {}, {("refused", "stale", "ORD-07")}),
        ({"act": "cancel", "id": MARK + 5, "ref": MARK + 4}, {}, {("cancelled", None, "ORD-18")}),
        ({"act": "cancel", "ref": MARK + 1}, {}, {("refused", "stale", "ORD-21")}),
        ({"act": "cancel", "ref": 9}, RUNNING, {("cancelled", None, "ORD-17"), TOO_LATE, *ENDED}),
        ({"act": "cancel", "ref": 9}, RUNNING | {"past_return": True}, {TOO_LATE, *ENDED}),
    ],
)  # fmt: skip
def test_what_may_be_answered(
    body: dict[str, Any], known: dict[str, Any], expected: set[tuple[str, str | None, str]]
) -> None:
    assert answers(body, **known) == expected


def test_a_crane_is_judged_by_its_load_its_table_and_its_reach() -> None:
    crane = SITE.nodes["north"].crane
    assert crane is not None
    least, most = [axis.least for axis in crane.axes], [axis.most for axis in crane.axes]
    mode = ("refused", "mode", "CRN-03")
    assert answers(JOG | {"target": most}, "north") == {*TAKEN, mode}
    for target in ([*least[:-1], least[-1] - 1], [most[0] + 1, *most[1:]], least[1:]):
        assert answers(JOG | {"target": target}, "north") == {mode, ("refused", "reach", "CRN-04")}
    crane = SITE.nodes["south"].crane
    assert crane is not None
    track = next(name for name, place in crane.places.items() if place.table)
    table = crane.places[track].table
    stack = next(name for name, place in crane.places.items() if not place.table and not place.at)
    train = {
        "act": "transfer",
        "deadline": FAR,
        "from": stack,
        "from_slot": 0,
        "to": track,
        "to_slot": 0,
        "box": "B",
    }
    named = {"arrival": 1, "berth_boot": 3}
    assert answers(train, "south") == {mode, ("refused", "place", "CRN-07")}
    assert answers(train | named | {"reading": table[0][0]}, "south") == {*TAKEN, mode}
    outside = answers(train | named | {"reading": table[-1][0] + 1}, "south")
    assert outside == {mode, ("refused", "outside-table", "CRN-06")}
    assert answers(train, "south", load="box") == {mode, ("refused", "load", "CRN-08")}
    assert answers(train, "south", load="unsure") == {mode, ("refused", "load", "CRN-08")}


def test_a_deadline_that_may_have_passed_leaves_both_open() -> None:
    late = ("refused", "late", "ORD-10")
    assert answers(RUN, late=True) == {late}
    assert answers(RUN, late=None) == {late, *TAKEN, ("refused", "state", "SHT-03")}


@pytest.mark.parametrize(
    ("due", "uptime", "requirement"),
    [
        (1000, 900, "ORD-10"),
        (1000, 1000, ""),
        (1000, 1001, ""),
        (500, TOP - 500, "ORD-11"),
        (TOP - 500, 500, ""),
        (900 + 2**31 - 1, 900, "ORD-10"),
        (900 + 2**31, 900, ""),
    ],
)
def test_late_before_the_deadline_is_wrong(due: int, uptime: int, requirement: str) -> None:
    """Against the node's own uptime in the report, as a signed 32-bit difference [ORD-10, ORD-11]."""
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(BOOT, fresh=False)
    states.states = [state()]
    states.arrived(
        Arrived(1, 0.0, RUN | {"boot": BOOT, "id": MARK + 1, "deadline": due}, late=None, bench=True)
    )
    report = {
        "act": "run", "id": MARK + 1, "order_boot": BOOT, "state": "refused", "reason": "late", "mark": MARK + 1,
        "uptime": uptime,
    }  # fmt: skip
    found = states.report(report)
    assert (found.requirement if isinstance(found, Mismatch) else "") == requirement


def test_a_repeated_hold_may_be_counted_or_not() -> None:
    """HLD-01; that a repeat is not counted is a SHOULD [HLD-08]."""

    def after(token: int | None, known: int | None) -> set[tuple[bool | None, int | None]]:
        order = Arrived(1, 0.0, {"act": "hold"} | ({} if token is None else {"token": token}))
        every = handled(state(holds=1, hold_token=known), order, Judged(SITE, SITE.nodes["ferry"]), BOOT)
        return {(one.held, one.holds) for one in every}

    assert after(5, 5) == {(True, 2), (False, 1)}
    assert after(5, 6) == after(5, None) == after(None, None) == {(True, 2)}
