"""The set of all that a node may be: what stays in it as orders come, are lost and are answered."""

from __future__ import annotations

from collections import Counter
from math import inf
from typing import Any

import pytest

from conformance.oracle.answers import Mismatch
from conformance.oracle.node_state import NodeState
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.state_set import StateSet
from protocol.site_file import scenario
from tests.oracle.test_order_checks import BOOT

SITE = scenario()
FERRY = Judged(SITE, SITE.nodes["ferry"])
TOPICS = ("node-status", "shuttle-status", "fault")


class Life:
    """A shuttle that has just come up, and what comes to it and is said by it; trace numbers are counted."""

    def __init__(self, *, fresh: bool = True) -> None:
        self.counted: Counter[str] = Counter()
        self.set = StateSet(FERRY, self.counted)
        self.set.begin(BOOT, fresh=fresh)
        self.number = 0

    def comes(
        self, act: str, at_ms: float = 0.0, *, sure: bool = True, readable: bool = True, **fields: Any
    ) -> None:
        self.number += 1
        body = {"act": act} | ({} if act in ("ask", "hold") else {"boot": BOOT}) | fields
        self.set.arrived(Arrived(self.number, at_ms, body, readable, sure, late=False, bench=True))

    def claim(self, id_: int, at_ms: float = 0.0, **more: Any) -> None:
        self.comes("claim", at_ms, id=id_, **more)

    def reports(
        self, id_: int, act: str = "claim", word: str = "done", mark: int | None = None, **more: Any
    ) -> str:
        """What is told of it."""
        body = {
            "act": act,
            "id": id_,
            "order_boot": BOOT,
            "state": word,
            "uptime": 5,
            "mark": id_ if mark is None else mark,
        }
        return told(self.set.report(body | more))

    def answers(self, token: int, mark: int = 0) -> str:
        return told(
            self.set.report({"act": "ask", "token": token, "state": "done", "mark": mark, "uptime": 5})
        )

    def says(self, name: str = "shuttle-status", **more: Any) -> str:
        usual = {"mark": 0, "held": False, "holds": 0, "state": "lost"} if name != "fault" else {"faults": 0}
        return told(self.set.told(name, usual | more))

    @property
    def marks(self) -> set[int | None]:
        return {one.mark for one in self.set.states}


def told(found: Mismatch | None) -> str:
    return "" if found is None else found.requirement


# ---------------------------------------------------------------- a boot begins
def test_after_a_start_all_is_known_but_faults_and_load() -> None:
    """CLM-04: after a reset the mark is 0; SHT-01: a shuttle comes up 'lost'."""
    life = Life()
    [one] = life.set.states
    assert one == NodeState(
        mark=0,
        claimant=None,
        held=False,
        holds=0,
        hold_token=None,
        job=0,
        arrivals=0,
        roles=(frozenset({"lost"}),),
    )
    assert (life.set.boot, life.set.came, life.set.sure, life.set.waiting) == (BOOT, False, True, False)


def test_of_a_boot_that_has_gone_on_for_a_while_nothing_is() -> None:
    life = Life(fresh=False)
    assert life.set.states == [NodeState(roles=(None,))]
    assert not life.set.sure
    assert StateSet(FERRY, Counter()).boot == -1
    assert StateSet(FERRY, Counter()).steady


def test_what_waits_as_a_boot_begins_may_yet_be_handled_in_it() -> None:
    life = Life()
    life.claim(256)
    life.set.begin(BOOT + 1, fresh=True)
    assert (life.set.came, life.set.boot, life.set.end, life.set.backlog) == (True, BOOT + 1, 1, 1)
    assert life.reports(256, word="refused", reason="wrong-boot", mark=0) == ""
    life.set.begin(BOOT + 2, fresh=True)
    assert (life.set.came, life.set.end) == (False, 1)


def test_where_too_much_is_open_a_new_boot_makes_it_no_better() -> None:
    life = Life()
    life.set.lost_some()
    life.set.begin(BOOT + 1, fresh=True)
    assert life.set.states == [NodeState(roles=(None,))]


# ---------------------------------------------------------------- what is sure
@pytest.mark.parametrize(
    ("field", "sure"), [("mark", False), ("held", False), ("job", False), ("holds", True)]
)
def test_it_is_sure_where_mark_hold_and_job_are_known(field: str, sure: bool) -> None:
    life = Life()
    unknown: dict[str, Any] = {field: None}
    life.set.states = [life.set.states[0]._replace(**unknown)]
    assert life.set.sure is sure


def test_it_is_sure_of_one_state_with_nothing_on_its_way() -> None:
    life = Life()
    [one] = life.set.states
    life.set.states = [one, one._replace(mark=5)]
    assert not life.set.sure
    life = Life()
    life.claim(256)
    assert (life.set.sure, life.set.waiting, life.set.backlog, life.set.end) == (False, True, 1, 1)
    life.claim(512, 3.0)
    assert (life.set.backlog, life.set.waits_since_ms) == (2, 0.0)
    assert life.reports(256) == ""
    assert (life.set.waiting, life.set.backlog, life.set.waits_since_ms) == (True, 1, 3.0)
    assert life.reports(512) == ""
    assert (life.set.sure, life.set.waiting, life.set.backlog, life.set.waits_since_ms) == (
        True,
        False,
        0,
        inf,
    )


def test_an_answer_that_is_owed_is_waited_for() -> None:
    """A state message shows that the claim was handled; its report is still to come."""
    life = Life()
    life.claim(256, 4.0)
    assert life.says(mark=256) == ""
    assert (life.set.waiting, life.set.backlog, life.set.waits_since_ms, life.set.sure) == (
        True,
        1,
        4.0,
        False,
    )
    assert (life.marks, life.counted["ORD-08"]) == ({256}, 1)


def test_the_newest_it_may_be_has_handled_all_that_came() -> None:
    """One way that it may have gone."""
    life = Life()
    life.claim(256)
    life.comes("hold", token=4)
    assert life.set.newest()[2:7] == (256, None, True, 1, 4)
    assert life.says(mark=256) == ""
    assert life.set.newest().held is True
    assert life.reports(256) == ""
    life.comes("run", id=300, to="quay-s", deadline=9)
    assert life.set.newest().mark == 300
    empty = Life()
    assert empty.set.newest() == empty.set.states[0]


def test_a_run_that_may_be_taken_is_newest_as_it_was_taken() -> None:
    life = Life()
    life.set.states = [life.set.states[0]._replace(roles=(frozenset({"at-place"}),))]
    life.comes("run", id=300, to="quay-s", deadline=9)
    assert (life.set.newest().job, life.set.newest().act) == (300, "run")


# ---------------------------------------------------------------- answers narrow it
def test_a_report_leaves_the_states_that_owed_it() -> None:
    """ORD-02: orders are handled as they came, so the first one was."""
    life = Life()
    life.claim(256)
    life.claim(512)
    assert life.reports(512) == "ORD-01"
    assert not life.set.sure
    assert life.marks == {None}, "after a breach nothing is known"
    assert life.counted["ORD-01"] == 1


def test_a_state_message_that_fits_no_state_is_told_once() -> None:
    life = Life()
    assert life.says(mark=4) == "CLM-04"
    assert (life.counted["CLM-04"], life.says(mark=4), life.says(mark=4)) == (1, "", "")
    life.claim(256)
    assert life.reports(256) == ""
    assert life.says(mark=4) == "ORD-08"


def test_of_several_reasons_that_of_the_likeliest_state_istold() -> None:
    life = Life()
    life.claim(256)
    assert life.says(mark=256, holds=2) == "HLD-01"
    life = Life()
    life.claim(256)
    assert life.says(mark=255) == "ORD-08"


def test_an_ask_is_answered_by_every_state_behind_it() -> None:
    """ORD-03."""
    for left_out in (None, *TOPICS):
        life = Life()
        life.comes("ask", token=9)
        for name in TOPICS:
            if name != left_out:
                assert life.says(name) == ""
        assert life.answers(9) == ("" if left_out is None else "ORD-03")
        assert life.set.sure is (left_out is None)


def test_a_state_that_was_none_of_an_ask_is_why_the_ask_was_not_answered() -> None:
    """What is wrong in the state is the breach, and not that it was left out."""
    life = Life()
    life.comes("ask", token=9)
    for name in TOPICS:
        life.says(name)
    life.comes("hold")
    life.comes("ask", token=10)
    assert life.answers(9) == ""
    assert life.says("node-status") == ""
    assert life.says() == "", "of before the hold"
    assert life.says("fault") == ""
    assert life.answers(10) == "HLD-01"


# ---------------------------------------------------------------- what is overdue
def test_an_order_is_answered_in_its_time() -> None:
    """ORD-01: within 200 ms of its arrival."""
    life = Life()
    life.claim(256, 100.0)
    for at_ms, within_ms in ((300.0, 200.0), (1e9, inf)):
        assert life.set.overdue(at_ms, within_ms) is None
    found = life.set.overdue(300.5, 200.0)
    assert found == (2, "ORD-01", "no report to 'claim' 256")
    assert life.marks == {None}
    assert life.set.overdue(9_000.0, 200.0) is None, "it is told once"


def test_a_hold_shows_in_its_time() -> None:
    """HLD-01: within 200 ms."""
    life = Life()
    for at_ms, states in ((300.0, 2), (300.5, 1)):
        life = Life()
        life.comes("hold", 100.0)
        life.comes("hold", 500.0)
        assert life.says("node-status") == ""
        assert life.set.overdue(at_ms, 200.0) is None
        assert life.says() == ("" if states == 2 else "HLD-01")


def test_an_answer_that_is_owed_is_overdue_too() -> None:
    life = Life()
    life.claim(256, 100.0)
    assert life.says(mark=256) == ""
    assert life.set.overdue(300.0, 200.0) is None
    assert life.set.overdue(300.5, 200.0) == (2, "ORD-01", "no report to 'claim' 256")


def test_what_may_be_lost_or_not_be_read_is_no_more_owed() -> None:
    """A report may come all the same where it was not lost, and none where it cannot be read [ENC-10]."""
    for more, told in (({"sure": False}, ""), ({"readable": False}, "ORD-14")):
        life = Life()
        life.claim(256, 100.0, **more)
        assert life.set.overdue(9_000.0, 200.0) is None
        assert life.marks == {0}
        assert life.reports(256) == told


def test_of_two_the_second_may_still_have_time() -> None:
    life = Life()
    life.claim(256, 100.0, sure=False)
    life.claim(512, 900.0)
    assert life.set.overdue(1_000.0, 200.0) is None
    assert life.reports(512) == ""
    life = Life()
    life.claim(256, 100.0, sure=False)
    life.claim(512, 300.0)
    assert told(life.set.overdue(1_000.0, 200.0)) == "ORD-01"


def test_what_came_at_the_last_instant_need_not_show_while_another_answer_is_owed() -> None:
    life = Life()
    life.claim(256, 100.0)
    assert life.says(mark=256) == ""
    life.comes("hold", 100.0)
    assert life.set.overdue(300.0, 200.0) is None
    assert life.says(mark=256) == "", "the hold may still be on its way"


# ---------------------------------------------------------------- what counts as judged
def test_each_message_counts_what_was_judged_of_it_alone() -> None:
    life = Life()
    assert life.says() == ""
    assert life.counted["HLD-01"] == 1
    assert life.says("fault") == ""
    assert life.counted["HLD-01"] == 1
    assert life.says(mark=9) == "CLM-04"
    assert life.says("fault") == ""
    assert (life.counted["HLD-01"], life.counted["CLM-04"]) == (1, 1)


def test_a_step_of_the_report_before_tells_what_was_picked() -> None:
    """ORD-17: moved past return."""
    life = Life()
    at_place = frozenset({"at-place"})
    life.set.states = [
        life.set.states[0]._replace(job=300, act="run", job_states=frozenset({"running"}), roles=(at_place,))
    ]
    for step, past in (("grip", False), ("lift", True)):
        assert life.reports(300, "run", "running", mark=0, step=step) == ""
        assert {one.past_return for one in life.set.states} == {past}


def test_a_state_message_that_no_ask_waits_for_explains_no_ask() -> None:
    """ORD-03: the state of before the hold is fine, and none came behind the ask."""
    life = Life()
    life.comes("hold")
    assert life.says() == ""
    life.comes("ask", token=9)
    assert life.says("node-status") == life.says("fault") == ""
    assert life.answers(9) == "ORD-03"


def test_before_a_boot_begins_nothing_has_come() -> None:
    empty = StateSet(FERRY, Counter())
    assert (empty.states, empty.came, empty.end, empty.backlog) == ([NodeState(roles=(None,))], False, 0, 0)
