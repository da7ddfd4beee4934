"""'done' is said when what was asked is so [ORD-16]: no machine is at it any more, and a train that left is gone."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.job_times import JobTimes
from conformance.oracle.leaving_time import OWN_CLOCK
from conformance.oracle.message_rules import UNDER_WAY, MessageRules
from protocol.site_file import scenario
from protocol.specification import STATE_OF_ROLE, specification
from tests.oracle.messages import Said

SITE = scenario()
NODES = {"crane": "north", "berth": "siding", "shuttle": "ferry"}
WORDS: dict[str, dict[str, Any]] = {
    "crane": {"axes": [], "spreader": "open", "load": "none"},
    "berth": {"arrival": 0},
    "shuttle": {"stop": 0, "place": "quay-n"},
}
CLEAR_MS = 3_000
"""As the site file of harlow-basin gives it."""


class Heard:
    """One node, and what is told of it."""

    def __init__(self, role: str) -> None:
        self.told: list[tuple[str, str]] = []
        self.counted: Counter[str] = Counter()
        self.role, node = role, NODES[role]
        self.rules = MessageRules(SITE, node, self._tell, self.counted)
        self.times = JobTimes(SITE.nodes[node], self._tell, self.counted)
        self._message = Said()

    def _tell(self, requirement: str, what: str, _oracle: Oracle, _number: int) -> None:
        self.told.append((requirement, what))

    def stands(self, state: str, job_state: str, job: int = 4) -> None:
        key = "mode" if self.role == "crane" else "state"
        body = WORDS[self.role] | {key: state, "job": job, "job_state": job_state}
        self.rules.said(self._message(STATE_OF_ROLE[self.role], **body))

    def reports(self, state: str, uptime: int, job: int = 4, act: str = "depart") -> None:
        self.times.said(self._message("job-report", act=act, id=job, state=state, uptime=uptime), {})


JOBS = sorted((act, role) for role in NODES for act in specification().acts_of(role) if act in UNDER_WAY)


def test_every_job_has_a_state_in_which_it_is_under_way() -> None:
    """Each of them is one that the table of its role reaches by the event of the act."""
    assert set(UNDER_WAY) == set(specification().jobs)
    for act, role in JOBS:
        table = specification().tables[role]
        assert {row.next for row in table.transitions if row.event == act} <= UNDER_WAY[act], act


@pytest.mark.parametrize(("act", "role"), JOBS)
@pytest.mark.parametrize("job_state", ["running", "done", "failed"])
def test_a_machine_that_is_at_a_job_that_is_done(act: str, role: str, job_state: str) -> None:
    for state in UNDER_WAY[act]:
        heard = Heard(role)
        heard.rules.came({"act": act, "id": 4, "to": "quay-n", "target": []})
        heard.stands(state, job_state)
        told = [what for requirement, what in heard.told if requirement == "ORD-16"]
        assert told == (
            [f"job 4, the {act}, is 'done' and the {role} is still {state!r}"] if job_state == "done" else []
        )


def test_it_is_said_once_of_a_job_and_nothing_of_a_job_that_nobody_saw_ordered() -> None:
    heard = Heard("berth")
    heard.stands("admitting", "done", job=3)
    assert heard.told == []
    heard.rules.came({"act": "admit", "id": 4})
    heard.stands("admitting", "done")
    heard.stands("admitting", "done")
    assert [requirement for requirement, _ in heard.told] == ["ORD-16"]


@pytest.mark.parametrize(
    ("took_ms", "wrong"), [(CLEAR_MS * OWN_CLOCK, False), (CLEAR_MS * OWN_CLOCK - 1, True)]
)
def test_a_train_is_gone_when_no_sensor_has_changed_for_long_enough(took_ms: float, wrong: bool) -> None:
    """The table of a berth: gone = neither sensor has changed for `clear_ms`; none changes before the motor starts."""
    heard = Heard("berth")
    heard.reports("accepted", 500)
    heard.reports("running", 1_000)
    heard.reports("running", 2_000)
    heard.reports("done", 1_000 + int(took_ms))
    what = f"the train is 'gone' {int(took_ms)} ms after the depart began: no sensor may change for 3000 ms before"
    assert heard.told == ([("BER-02", what)] if wrong else [])
    assert heard.counted["BER-02"] == 1


@pytest.mark.parametrize("forgets", ["new_boot", "reconnected", "uptime_set"])
def test_it_is_left_open_where_the_beginning_is_not_known(forgets: str) -> None:
    heard = Heard("berth")
    heard.reports("accepted", 500)
    heard.reports("running", 1_000)
    getattr(heard.times, forgets)()
    heard.reports("running", 1_500)
    heard.reports("done", 1_600)
    assert (heard.told, heard.counted["BER-02"]) == ([], 0)


def test_another_job_and_another_act_tell_nothing_of_it() -> None:
    heard = Heard("berth")
    heard.reports("accepted", 500)
    heard.reports("running", 1_000, job=5)
    heard.reports("running", 1_000)
    heard.reports("done", 1_100, job=5)
    heard.reports("done", 1_100, act="admit")
    assert (heard.told, heard.counted["BER-02"]) == ([], 0)
