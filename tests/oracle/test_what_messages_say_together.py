"""A message of a node against those before it: counts, faults, what never changes, and what each machine does."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.message_rules import ORDERS, MessageRules
from protocol.site_file import scenario
from tests.oracle.messages import Said

SITE = scenario()
STATUS: dict[str, Any] = {
    "state": "on", "link": 1, "roles": ["crane"], "firmware": "x", "minor": 1, "reads": "both", "reset": "power-on",
    "digest": 1, "buffer": 384, "bench": False,
}  # fmt: skip
AXES = [[0, 0, True]] * 3
CRANE: dict[str, Any] = {"mode": "ready", "axes": AXES, "spreader": "open", "load": "none"}
SHUTTLE: dict[str, Any] = {"state": "at-place", "stop": 4, "place": "quay-n"}
BERTH: dict[str, Any] = {"state": "empty", "arrival": 4}


class Node:
    """A node, and what is told of it."""

    def __init__(self, name: str = "north") -> None:
        self.told: list[str] = []
        self.words: list[tuple[str, str, Oracle, int]] = []
        self.counted: Counter[str] = Counter()
        self.rules = MessageRules(SITE, name, self._tell, self.counted)
        self._message = Said()

    def _tell(self, requirement: str, what: str, oracle: Oracle, number: int) -> None:
        self.told.append(requirement)
        self.words.append((requirement, what, oracle, number))

    def says(self, name: str, body: dict[str, Any], *, steady: bool = False, **more: Any) -> list[str]:
        self.rules.said(self._message(name, **body | more), steady=steady)
        told, self.told = self.told, []
        return told

    def crane(self, **more: Any) -> list[str]:
        return self.says("crane-status", CRANE, **more)

    def shuttle(self, **more: Any) -> list[str]:
        return self.says("shuttle-status", SHUTTLE, **more)

    def berth(self, **more: Any) -> list[str]:
        return self.says("train-arrival", BERTH, **more)

    def fault(self, faults: int, *active: str, **more: Any) -> list[str]:
        return self.says("fault", {"active": list(active), "faults": faults}, **more)

    def report(self, **more: Any) -> list[str]:
        usual = {"act": "transfer", "id": 4, "state": "running"}
        return self.says("job-report", usual, **more)


# ---------------------------------------------------------------- the count of each topic
@pytest.mark.parametrize(
    ("was", "is_", "sure", "gap"),
    [(3, 4, False, False), (3, 3, True, True), (3, 5, True, False), (65_535, 0, False, False), (4, 3, True, True),
     (0, 32_767, True, False), (0, 32_768, True, True)],
)  # fmt: skip
def test_a_topic_counts_up_by_one(was: int, is_: int, sure: bool, gap: bool) -> None:
    """MSG-07: without gap or repeat; over another connection some may be lost, and none comes again."""
    node = Node("ferry")
    assert node.shuttle(seq=was) == []
    assert node.counted["MSG-07"] == 0
    assert node.shuttle(seq=is_) == (["MSG-07"] if sure else [])
    assert node.counted["MSG-07"] == 1
    for lost in (MessageRules.reconnected, MessageRules.lost_some):
        node = Node("ferry")
        node.shuttle(seq=was)
        lost(node.rules)
        assert node.shuttle(seq=is_) == (["MSG-07"] if gap else [])


def test_each_topic_and_each_boot_counts_for_itself() -> None:
    node = Node("ferry")
    assert node.shuttle(seq=3) == node.fault(0, seq=9) == node.shuttle(seq=4) == node.fault(0, seq=10) == []
    node.rules.new_boot()
    assert node.shuttle(seq=0) == node.shuttle(seq=1) == node.fault(0) == []
    assert node.shuttle(seq=4) == ["MSG-07"]
    assert node.words[-1] == ("MSG-07", "seq of shuttle-status went from 1 to 4", Oracle.RULE, 8)


# ---------------------------------------------------------------- node-status
@pytest.mark.parametrize(
    ("bench", "starts", "told"), [(True, None, True), (True, 0, False), (False, None, False)]
)
def test_a_bench_node_says_its_motor_starts(bench: bool, starts: int | None, told: bool) -> None:
    """BEN-03."""
    more: dict[str, Any] = {} if starts is None else {"starts": starts}
    node = Node()
    assert node.says("node-status", STATUS, bench=bench, **more) == (["BEN-03"] if told else [])
    assert node.counted["BEN-03"] == bench


def test_what_a_boot_does_not_change_is_judged_field_by_field() -> None:
    """BEN-05: a node changes between bench and in service only by a start; MSG-12 for the rest."""
    node = Node()
    node.says("node-status", STATUS)
    assert node.says("node-status", STATUS) == []
    assert node.counted == Counter({"MSG-12": 7, "BEN-05": 1, "LNK-09": 1})
    assert node.says("node-status", STATUS, bench=True, starts=0) == ["BEN-05"]
    node.rules.new_boot()
    assert node.says("node-status", STATUS, firmware="y") == []
    assert node.says("node-status", STATUS, firmware="z", reads="cbor") == ["MSG-12", "MSG-12"]
    assert node.words[-1][1] == "reads was 'both' and is 'cbor' in the same boot"


@pytest.mark.parametrize(
    ("connects", "link", "wrong"),
    [(0, 1, False), (0, 2, True), (1, 1, True), (1, 2, False), (1, 3, True), (2, 3, False), (2, 4, True)],
)
def test_a_connection_counts_one(connects: int, link: int, wrong: bool) -> None:
    """LNK-09: the connection count goes up by one at every connection within a boot."""
    node = Node()
    node.says("node-status", STATUS)
    for _ in range(connects):
        node.rules.reconnected()
    assert node.says("node-status", STATUS, link=link) == (["LNK-09"] if wrong else [])
    assert node.says("node-status", STATUS, link=link) == [], "each connection is counted once"


def test_the_count_of_connections_wraps_and_a_boot_begins_another() -> None:
    node = Node()
    node.says("node-status", STATUS, link=65_535)
    node.rules.reconnected()
    assert node.says("node-status", STATUS, link=0) == []
    node.rules.reconnected()
    node.rules.new_boot()
    assert node.says("node-status", STATUS, link=1) == node.says("node-status", STATUS, link=1) == []


# ---------------------------------------------------------------- faults
HALT, WARN = "axis-stuck", "bad-message"


@pytest.mark.parametrize(
    ("active", "count", "more", "told"),
    [
        ([HALT], 1, {"changed": HALT, "level": "halt"}, []),
        ([HALT], 0, {"changed": HALT, "level": "halt"}, ["FLT-02"]),
        ([HALT], 0, {}, ["FLT-02"]),
        ([HALT, WARN], 1, {}, []),
        ([WARN], 0, {"changed": WARN, "level": "warn"}, []),
        ([WARN], 1, {"changed": WARN, "level": "warn"}, ["FLT-03"]),
        ([], 0, {}, []),
        ([], 1, {}, ["FLT-01"]),
        ([], 0, {"changed": HALT, "level": "halt"}, []),
        ([], 1, {"changed": HALT, "level": "halt"}, ["FLT-01"]),
        ([HALT], 1, {"changed": HALT, "level": "warn"}, ["FLT-01"]),
        ([WARN], 0, {"changed": WARN, "level": "halt"}, ["FLT-01"]),
        ([WARN], 0, {"changed": WARN}, ["FLT-01"]),
    ],
)
def test_faults_of_level_halt_are_counted_and_warnings_are_not(
    active: list[str], count: int, more: dict[str, Any], told: list[str]
) -> None:
    """FLT-01, FLT-02 and FLT-03."""
    node = Node()
    assert node.fault(7) == []
    assert node.fault(7 + count, *active, **more) == told
    first = Node()
    assert first.fault(7 + count, *active, **more) == [], "there was none before it"


def test_a_fault_that_stands_may_come_again() -> None:
    node = Node()
    node.fault(7, HALT)
    assert node.fault(8, HALT, changed=HALT, level="halt") == []
    assert node.fault(8, HALT) == []
    assert node.fault(9, HALT) == ["FLT-01"]
    assert node.fault(9, HALT, WARN, changed=HALT, level="halt") == []
    node.fault(65_535)
    assert node.fault(0, HALT, changed=HALT, level="halt") == []


def test_what_was_lost_between_two_faults_blames_nobody() -> None:
    node = Node()
    node.fault(7)
    node.rules.lost_some()
    assert node.fault(9) == []
    assert node.counted["FLT-01"] == 0


def test_a_count_that_no_active_fault_explains_is_told_as_a_fault() -> None:
    node = Node()
    node.fault(7)
    node.fault(8, changed=HALT, level="halt")
    assert [(one[0], one[2]) for one in node.words] == [("FLT-01", Oracle.FAULT)]


# ---------------------------------------------------------------- machines
@pytest.mark.parametrize(
    ("name", "say", "before", "after", "requirement"),
    [
        ("north", "crane", {"mode": "ready"}, {"mode": "homing"}, ""),
        ("north", "crane", {"mode": "ready"}, {"mode": "ready"}, ""),
        ("north", "crane", {"mode": "unhomed"}, {"mode": "ready"}, "CRN-02"),
        ("siding", "berth", {"state": "empty"}, {"state": "admitting"}, ""),
        ("siding", "berth", {"state": "empty"}, {"state": "armed"}, "BER-02"),
        ("ferry", "shuttle", {"state": "at-place"}, {"state": "moving"}, ""),
        ("ferry", "shuttle", {"state": "lost"}, {"state": "moving"}, "SHT-02"),
    ],
)
def test_a_machine_goes_by_its_table(
    name: str, say: str, before: dict[str, Any], after: dict[str, Any], requirement: str
) -> None:
    node = Node(name)
    getattr(node, say)(**before)
    assert getattr(node, say)(**after) == ([requirement] if requirement else [])
    node = Node(name)
    getattr(node, say)(**before)
    node.rules.reconnected()
    assert getattr(node, say)(**after) == [], "there may have been others between them"


@pytest.mark.parametrize(
    ("was", "is_", "by", "fine"),
    [
        ("moving", "at-place", 1, True),
        ("moving", "at-place", 0, False),
        ("moving", "at-place", 2, False),
        ("at-place", "at-place", 0, True),
        ("at-place", "at-place", 1, True),
        ("at-place", "at-place", 2, False),
        ("at-place", "at-place", -1, False),
        ("at-place", "moving", 0, True),
        ("at-place", "moving", 1, False),
        ("moving", "moving", 0, True),
        ("moving", "lost", 1, False),
    ],
)
def test_a_shuttle_counts_each_stand_at_a_place(was: str, is_: str, by: int, fine: bool) -> None:
    """SHT-05: the stop count goes up by one each time the shuttle comes to stand at a place."""
    for first in (4, 65_535):
        node = Node("ferry")
        node.shuttle(state=was, stop=first)
        assert node.shuttle(state=is_, stop=(first + by) % 65_536) == ([] if fine else ["SHT-05"])


@pytest.mark.parametrize(("by", "fine"), [(0, True), (1, True), (2, False), (-1, False)])
def test_a_berth_counts_arrivals_one_by_one(by: int, fine: bool) -> None:
    """BER-06."""
    for first in (4, 65_535):
        node = Node("siding")
        node.berth(arrival=first)
        assert node.berth(arrival=(first + by) % 65_536) == ([] if fine else ["BER-06"])


@pytest.mark.parametrize(("to", "place", "state", "told"), [("quay-s", "quay-s", "at-place", False),
                                                            ("quay-s", "quay-n", "at-place", True),
                                                            ("quay-s", "quay-n", "lost", False)])  # fmt: skip
def test_a_run_that_is_done_is_where_it_was_to(to: str, place: str, state: str, told: bool) -> None:
    """ORD-16: 'done' only when what was asked is so."""
    node = Node("ferry")
    node.rules.came({"act": "run", "id": 4, "to": to})
    node.shuttle(state="moving", job=4, job_state="running")
    after = {"state": state, "stop": 5 if state == "at-place" else 4, "place": place, "job": 4}
    assert node.shuttle(job_state="done", **after) == (["ORD-16"] if told else [])
    assert node.counted["ORD-16"] == 1 + (state == "at-place")  # It stands, and where it was sent to.
    assert node.shuttle(job_state="done", **after) == [], "it is told where it ends"


def test_an_end_is_that_of_the_job_before() -> None:
    node = Node("ferry")
    node.rules.came({"act": "run", "id": 4, "to": "quay-s"})
    node.shuttle(state="at-place", job=3, job_state="done")
    assert node.shuttle(job=4, job_state="done") == []
    node.rules.came({"act": "run", "id": 5, "to": "quay-s"})
    node.rules.came({"act": "run", "id": 5, "to": "quay-n"})
    node.shuttle(job=5, job_state="running")
    assert node.shuttle(job=5, job_state="done", place="stack-n") == [], "two came with that id"


def test_a_park_that_is_done_has_the_park_position_as_its_targets() -> None:
    """ORD-16 and CRN-11."""
    crane = SITE.nodes["north"].crane
    assert crane is not None
    parked = [[axis.park, axis.park, True] for axis in crane.axes]
    for axes, told in ((parked, []), (AXES, ["ORD-16"])):
        node = Node()
        node.rules.came({"act": "park", "id": 4})
        node.crane(mode="working", job=4, job_state="running")
        assert node.crane(job=4, job_state="done", axes=axes) == told
    assert "the park to" in node.words[-1][1]


def test_of_the_orders_the_oldest_are_forgotten() -> None:
    node = Node("ferry")
    for number in range(ORDERS + 1):
        node.rules.came({"act": "run", "id": 4 + number, "to": "quay-s"})
    for id_, told in ((4, []), (5, ["ORD-16"])):
        node.shuttle(state="at-place", job=id_, job_state="running")
        assert node.shuttle(job=id_, job_state="done") == told
    node.rules.new_boot()
    node.shuttle(job=6, job_state="running")
    assert node.shuttle(job=6, job_state="done") == []


# ---------------------------------------------------------------- the spreader
@pytest.mark.parametrize(
    ("step", "opens"), [("lower-to-drop", True), ("release", True), ("clear", True), ("travel-to-drop", False),
                        ("grip", False), ("", True)],
)  # fmt: skip
def test_a_spreader_opens_where_the_box_is_put_down(step: str, opens: bool) -> None:
    """CRN-12: only when the box stands, never in the air."""
    for to in ("open", "moving"):
        node = Node()
        node.report(**({"step": step} if step else {}))
        node.crane(mode="working", spreader="closed", load="box", job=4, job_state="running")
        told = node.crane(mode="working", spreader=to, load="box", job=4, job_state="running")
        assert told == ([] if opens else ["CRN-12"])


@pytest.mark.parametrize("forgets", ["new_boot", "lost_some", "done"])
def test_a_step_ends_with_its_job_and_is_not_known_where_some_was_lost(forgets: str) -> None:
    node = Node()
    node.report(step="travel-to-drop")
    if forgets == "done":
        node.report(state="failed", step="travel-to-drop")
    else:
        getattr(node.rules, forgets)()
    node.crane(mode="working", spreader="closed", load="box", job=4, job_state="running")
    assert node.crane(mode="working", load="box", job=4, job_state="running") == []


# ---------------------------------------------------------------- the box of a transfer
@pytest.mark.parametrize("step", ["travel-to-drop", "lower-to-drop", "lift", "grip", "release"])
def test_a_box_is_named_while_it_hangs_in_the_spreader(step: str) -> None:
    """CRN-10: every report from grip to release names the box and says that it is held."""
    judged = step in ("travel-to-drop", "lower-to-drop")
    for said, told in (({"box": "C-1", "load": "box"}, 0), ({"box": "C-2", "load": "box"}, 1), ({"load": "box"}, 1),
                       ({"box": "C-1", "load": "none"}, 1), ({"box": "C-1"}, 1)):  # fmt: skip
        node = Node()
        node.rules.came({"act": "transfer", "id": 4, "box": "C-1"})
        assert node.report(step=step, steady=True, **said) == ["CRN-10"] * (told if judged else 0)
        assert node.counted["CRN-10"] == (2 if judged else 0)


def test_what_box_it_is_told_by_the_order_alone() -> None:
    for order in ({"act": "transfer", "id": 5, "box": "C-1"}, {"act": "transfer", "id": 4}):
        node = Node()
        node.rules.came(order)
        assert node.report(step="travel-to-drop", box="C-2", load="none", steady=True) == []
    node = Node()
    node.rules.came({"act": "transfer", "id": 4, "box": "C-1"})
    assert node.report(act="park", step="travel-to-drop") == []
    assert node.report(state="accepted", step="travel-to-drop") == []


@pytest.mark.parametrize(
    ("between", "told"),
    [("", True), ("stimulus", False), ("reset-fault", False), ("manual", False), ("lost_some", False),
     ("new_boot", False), ("ready", True)],
)  # fmt: skip
def test_behind_a_transfer_it_is_empty_where_nothing_else_fills_it(between: str, told: bool) -> None:
    """CRN-10: after a transfer is done the spreader holds nothing."""
    node = Node()
    node.rules.came({"act": "transfer", "id": 4, "box": "C-1"})
    if between in ("stimulus", "reset-fault"):
        node.rules.came({"act": between, "id": 9})
    elif between in ("manual", "ready"):
        node.crane(mode=between)
    elif between:
        getattr(node.rules, between)()
    assert node.report(state="done", load="box", steady=True) == (["CRN-10"] if told else [])
    assert node.report(state="done", steady=True) == []
    assert node.report(id=5, state="done", load="box", steady=True) == []
    assert node.report(act="park", state="done", load="box", steady=True) == []
