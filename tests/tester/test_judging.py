"""The judge of all messages over a run: what no case looks at fails the case in which it shows, and no other."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import pytest

from conformance.reports import as_text
from conformance.reports.document import document
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from conformance.tester.runner import Run
from protocol.counting import next_count
from protocol.guards import Order
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of
from tests.faulty_nodes.matrix.every import BREACHES
from tests.faulty_nodes.matrix.plan import planned
from tests.faulty_nodes.matrix.planted import run


class CountsTheSecondResumeAsAHold(Controller):
    """Breaks HLD-01: only who has followed every hold of the boot can tell."""

    resumes = 0

    def resume(self, order: Order) -> None:
        super().resume(order)
        self.resumes += 1
        if self.resumes == 2:
            self.holds = next_count(self.holds)


@cache
def over(controller: type[Controller], node: str = "ferry") -> Run:
    run = run_of(node, controller=controller)
    run.perform()
    return run


def judged(results: Mapping[str, Result]) -> dict[str, list[str]]:
    return {
        id_: [one.requirement for one in result.breaches]
        for id_, result in results.items()
        if result.breaches
    }


@pytest.mark.parametrize("node", ["north", "siding", "ferry"])
def test_of_a_sound_node_it_says_nothing_and_can_judge_much(node: str) -> None:
    run = over(Controller, node)
    assert judged(run.results) == {}
    assert run.verdict is Verdict.PASS
    # Of every chapter of what a node does; how often each was judged stands in the report.
    often = {id_.partition("-")[0] for id_, times in run.judged.items() if times > 1}
    assert often >= {"LNK", "MSG", "ORD", "CLM", "HLD", "FLT", "BEN"}


def test_a_breach_fails_the_case_in_which_it_shows_first_and_tells_the_message() -> None:
    run = over(CountsTheSecondResumeAsAHold)
    [(id_, requirements)] = judged(run.results).items()
    result = run.results[id_]
    assert requirements == ["HLD-01"]
    assert (result.verdict, result.own) == (Verdict.FAIL, Verdict.PASS)
    assert result.reason.startswith("HLD-01: holds is ")
    assert result.evidence is not None
    [marked] = [line for line in result.evidence.lines if line.marked]
    assert (marked.from_node, marked.name) == (True, "shuttle-status")
    others = [one for one in run.results.values() if one.verdict is Verdict.FAIL and one is not result]
    assert others == []
    assert run.verdict is Verdict.FAIL


def test_what_rests_on_the_case_goes_on() -> None:
    run = over(CountsTheSecondResumeAsAHold)
    [broken] = judged(run.results)
    behind = [one for one in run.results.values() if broken in one.case.after]
    assert all(one.verdict is not Verdict.INCONCLUSIVE for one in behind)
    assert not any(one.verdict is Verdict.INCONCLUSIVE for one in run.results.values())


def test_the_report_says_how_often_each_requirement_was_judged() -> None:
    run = over(CountsTheSecondResumeAsAHold)
    told: dict[str, Any] = document(run, seed=1)
    assert told["judged"] == dict(sorted(run.judged.items()))
    [case] = [one for one in told["cases"] if one["breaches"]]
    assert (case["verdict"], case["own"], case["breaches"][0]["requirement"]) == ("fail", "pass", "HLD-01")
    text = as_text.render(told)
    assert f"judged too: {sum(run.judged.values())} times, by {len(run.judged)}" in " ".join(text.split())
    assert "what the orders and messages before it allow" in " ".join(text.split())


def evidence_of(planted: str, case: str) -> tuple[Result, list[str]]:
    """The result of one case over a faulty node of the matrix, and all that is told of it, the first first."""
    [one] = [one for one in planned() if one.id == planted]
    assert one.breach in BREACHES
    whole, _ = run(one, one.node, 1, (case,))
    result = whole.perform()[case]
    assert result.verdict is Verdict.FAIL
    assert result.evidence is not None
    others = [one.requirement for one in result.breaches if one != result.evidence]
    return result, [result.evidence.requirement, *others]


def test_what_the_judge_saw_before_the_case_failed_stands_first_and_the_rest_is_told_too() -> None:
    result, told = evidence_of("motor-by-hold@siding/always", "hold-obeyed")
    assert told == ["HLD-03", "HLD-02"]
    assert result.own is Verdict.FAIL, "what rests on the case waits for it as before"
    assert result.reason.startswith("HLD-03: a motor was switched on")
    assert "besides: HLD-02: " in result.reason


def test_at_the_same_message_the_case_knows_better() -> None:
    _, told = evidence_of("report-mark-behind@north/always", "claim-raises")
    assert told == ["CLM-01", "ORD-08"]


def test_of_an_answer_that_does_not_come_the_case_knows_why() -> None:
    _, told = evidence_of("unknown-field-unread@north/always", "encoding-unknown-fields")
    assert told == ["ENC-09", "ORD-01"]


def test_late_is_told_as_late_wherever_another_reason_was_due() -> None:
    _, told = evidence_of("fit-job-late@ferry/resumed", "hold-refuses")
    assert told[0] == "ORD-10"
