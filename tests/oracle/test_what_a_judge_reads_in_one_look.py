"""Several messages at once, reports that may be lost, and how much is kept apart: each part of the judge by hand."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle import state_set
from conformance.oracle.finding import Oracle
from conformance.oracle.job_times import JobTimes
from conformance.oracle.link_log import Log
from conformance.oracle.node_judge import NodeJudge
from conformance.oracle.node_state import NodeState
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.start_limit import LATE_MS
from conformance.oracle.state_set import StateSet
from protocol.specification import FINAL, OPEN
from tests.oracle.messages import Said
from tests.oracle.script import SITE, Script, told

NEXT = 256


def watched(**how: Any) -> Script:
    """A ferry that has come up in a boot of minor version 1, before a judge that was set up otherwise."""
    script = Script()
    script.oracle = NodeJudge(script.log, SITE, "ferry", **how)
    script.boot, script.connection = script.boot + 1, script.connection + 1
    script.status["minor"] = 1
    script.comes_up()
    script.fence()
    assert told(script) == []
    return script


# ---------------------------------------------------------------- several messages at once
def test_behind_what_an_old_boot_still_brings_the_new_one_is_read() -> None:
    """LNK-08."""
    script = watched()
    script.oracle.restarted()
    script.says("fault", active=[], faults=9)
    script.connection += 1
    script.boot += 1
    script.fault_says()
    assert told(script) == ["LNK-08"]


def test_behind_what_an_old_connection_still_brings_the_new_one_is_read() -> None:
    """FLT-04: the count of faults does not go down."""
    script = watched()
    script.fault_says(faults=3)
    script.connection += 1
    script.status_says(link=4)
    script.comes_up()
    script.connection -= 1
    script.says("fault", active=[], faults=9)
    script._seqs["fault"] -= 1
    script.connection += 1
    script.fault_says(faults=2)
    assert "FLT-04" in told(script)


# ---------------------------------------------------------------- reports that may be lost
def begun_late(what: str) -> list[str]:
    """A run that was taken is said to be running half a second behind its deadline; before, this happened."""
    lost = [0]
    script = watched(damaged=lambda: lost[0])
    script.run(NEXT)
    late = script.deadline + LATE_MS + 100
    told(script)
    if what == "missed":
        script.oracle.missed_reports(script.now)
    if what == "connected":
        script.connection += 1
        script.status_says(link=4)
    if what == "damaged":
        lost[0] += 1
        told(script)
    script.wait(late - script.now)
    script.report("run", NEXT, "running", step="travel", load="unsure")
    return [one for one in told(script) if one == "ORD-23"]


@pytest.mark.parametrize(
    ("what", "wrong"), [("", ["ORD-23"]), ("missed", []), ("connected", []), ("damaged", [])]
)
def test_a_job_may_have_begun_in_a_report_that_is_lost(what: str, wrong: list[str]) -> None:
    """ORD-23: a job that was accepted ends where it has not started by its deadline."""
    assert begun_late(what) == wrong


class Times:
    """The times of the jobs of a node, and what is told of them."""

    def __init__(self, node: str = "siding") -> None:
        self.told: list[str] = []
        self.counted = Counter[str]()
        self.times = JobTimes(SITE.nodes[node], self._tell, self.counted)
        self._said = Said()

    def _tell(self, requirement: str, _what: str, _oracle: Oracle, _number: int) -> None:
        self.told.append(requirement)

    def report(self, state: str, uptime: int, act: str = "depart") -> list[str]:
        self.times.said(
            self._said("job-report", act=act, id=5, state=state, uptime=uptime), ("berth-status",)
        )
        return self.told


@pytest.mark.parametrize(
    ("what", "begins", "accepted"),
    [
        ("", True, True),
        ("reconnected", False, True),
        ("new_boot", False, False),
        ("uptime_set", False, False),
    ],
)
def test_what_ends_the_times_of_a_job(what: str, begins: bool, accepted: bool) -> None:
    """ORD-23: a lost report tells nothing of the deadline, which a new boot and another uptime end."""
    times = Times()
    times.times.came(5, 1_000)
    times.report("accepted", 900, "admit")
    if what:
        getattr(times.times, what)()
    assert bool(times.report("running", 1_000 + LATE_MS + 1, "admit")) is begins
    times = Times()
    times.times.came(5, 1_000)
    if what:
        getattr(times.times, what)()
    assert bool(times.report("accepted", 1_000 + LATE_MS + 1, "admit")) is accepted


@pytest.mark.parametrize("what", ["", "reconnected", "new_boot", "uptime_set"])
@pytest.mark.parametrize("after", ["accepted", "running"])
def test_what_ends_the_time_of_a_train_that_leaves(what: str, after: str) -> None:
    """BER-02."""
    times = Times()
    for word in ("accepted", "running", "done"):
        times.report(word, 100)
        if what and word == after:
            getattr(times.times, what)()
    assert times.told == ([] if what else ["BER-02"])


def test_a_node_without_a_berth_has_no_time_for_it() -> None:
    times = Times("ferry")
    for word in ("accepted", "running", "done"):
        times.report(word, 100)
    assert times.told == []


# ---------------------------------------------------------------- the minor version that is said
def test_the_minor_version_is_that_of_the_newest_status_that_says_one() -> None:
    """MSG-12: node-status names it."""
    log, said = Log(), Said()
    minors = [log.minor]
    for name, body in (("fault", {"minor": 9}), ("node-status", {"minor": 1}), ("fault", {"minor": 9}),
                       ("node-status", {"state": "off"}), ("node-status", {"minor": 2})):  # fmt: skip
        log.enter(said(name, **body))
        minors.append(log.minor)
    assert minors == [None, None, 1, 1, 1, 2]
    assert [one.number for one in log.traces] == [1, 2, 3, 4, 5]
    assert len(log.messages) == 5


# ---------------------------------------------------------------- jobs that are open
@pytest.mark.parametrize("word", sorted(OPEN))
def test_a_job_that_was_open_may_have_ended_by_now(word: str) -> None:
    """ORD-15: each state of a job leads to an end without another order."""
    state = NodeState(job=4, job_states=frozenset({word}), held=False)
    assert state.open is None
    assert state.may_move
    assert not state._replace(held=True).may_move


@pytest.mark.parametrize("word", sorted(FINAL))
def test_a_job_that_has_ended_stays_so(word: str) -> None:
    """ORD-06."""
    assert NodeState(job=4, job_states=frozenset({word})).open is False
    assert NodeState(job=0).open is False
    assert NodeState(job=4, job_states=frozenset({word}), held=False).may_move is False
    assert NodeState().open is None
    assert NodeState(held=None).may_move


# ---------------------------------------------------------------- how much is kept apart
def crowded(monkeypatch: pytest.MonkeyPatch, **bounds: int) -> StateSet:
    """Holds on their way, each of which may be lost."""
    for name, bound in bounds.items():
        monkeypatch.setattr(state_set, name, bound)
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(7, fresh=True)
    for number in range(1, 6):
        states.arrived(Arrived(number, 10.0 * number, {"act": "hold"}, sure=False, late=False, bench=True))
    return states


def test_as_many_states_as_the_bound_are_looked_at_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    every = len(crowded(monkeypatch)._ahead())
    assert every > 6
    for bound, widened in ((every, False), (every - 1, True)):
        states = crowded(monkeypatch, WIDEST=bound)
        assert len(states._ahead()) == (1 if widened else every)
        assert states.widened is widened
        assert (states.states == [NodeState(handled=states.end, roles=(None,))]) is widened


def test_as_many_of_one_step_as_the_bound_stay_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """United they leave open what either did."""
    one, other, third = (NodeState(mark=mark, roles=(None,)) for mark in (1, 2, 3))
    for bound, kept in ((3, 3), (2, 1)):
        monkeypatch.setattr(state_set, "MOST", bound)
        states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
        states.states = [one, other, third]
        assert len(states._ahead()) == kept
        states._keep([one, other, third, one])
        assert len(states.states) == kept, "the same one is no other"


def test_what_waits_while_nothing_is_known_is_given_up_at_its_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(state_set, "WIDEST", 3)
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(7, fresh=True)
    states.lost_some()
    waits = []
    for number in range(1, 8):
        states.arrived(Arrived(number, 10.0 * number, {"act": "hold"}, late=False, bench=True))
        waits.append(states.end - states.states[0].handled)
    assert waits == [1, 2, 3, 1, 2, 3, 1]
