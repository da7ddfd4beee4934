"""What a stall of the machine leaves open is told apart from an alarm."""

from __future__ import annotations

from dataclasses import replace

from conformance.suite.case import all_cases
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from tests.soak.virtual import outcome

FIRST, BEHIND, OTHER = list(all_cases().values())[:3]


def test_only_a_stall_excuses_a_case_without_a_verdict() -> None:
    stalled = Result(FIRST, Verdict.INCONCLUSIVE, "stood still", spoilt=True)
    behind = Result(BEHIND, Verdict.INCONCLUSIVE, "rests on it", cause=FIRST.id)
    results = {FIRST.id: stalled, BEHIND.id: behind, OTHER.id: Result(OTHER, Verdict.PASS)}
    assert outcome("a run", results).alarms == {}
    assert outcome("a run", results).left_open == [FIRST.id, BEHIND.id]
    alone = results | {FIRST.id: replace(stalled, spoilt=False)}
    assert set(outcome("a run", alone).alarms) == {FIRST.id, BEHIND.id}


def test_a_fail_is_an_alarm_whatever_else_stood_still() -> None:
    failed = Result(FIRST, Verdict.FAIL, "wrong", spoilt=True)
    assert outcome("a run", {FIRST.id: failed}).alarms == {FIRST.id: "fail: wrong"}
