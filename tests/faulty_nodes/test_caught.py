"""Every faulty node is caught by the case it names, and the kill matrix in the documents says what else it trips.

The whole suite over each takes minutes: `make test` makes some lines of the matrix again, `make exhaustive` all.
"""

from __future__ import annotations

from functools import cache

import pytest

from conformance.suite.case import all_cases
from conformance.suite.traceability import table
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from tests.faulty_nodes.every import FAULTY
from tests.faulty_nodes.faulty import Faulty
from tests.faulty_nodes.kill_matrix import PAGE, Kill, supervisors
from tests.sample import sampled


@cache
def of_the_whole_suite(name: str) -> dict[str, Result]:
    return FAULTY[name].run().perform()


EITHER = {
    "CountsAResumeAsAHold": "HLD-01",  # That says what the count of holds is.
    "RemembersRefusedAsLastJob": "MSG-10",  # The refused job is the node's last one in its state too.
    "RefusesTheLastReadingOfItsTable": "ORD-10",  # Tried with a deadline that is over: the reason has to be 'late'.
}
"""What may be named first too: a node that breaks two requirements at once."""


@pytest.mark.parametrize("wrong", FAULTY.values(), ids=FAULTY)
def test_faulty_node_is_caught_by_the_case_it_names(wrong: Faulty) -> None:
    result = wrong.run(only=(wrong.caught_by,)).perform()[wrong.caught_by]
    if result.own is not Verdict.FAIL and not result.case.passive:  # What it tries needs a life before it.
        result = of_the_whole_suite(wrong.name)[wrong.caught_by]
    assert result.own is Verdict.FAIL, (result.own, result.reason)
    assert result.evidence is not None
    assert result.evidence.requirement in (wrong.requirement, EITHER.get(wrong.name)), result.reason
    told = {result.evidence.requirement, *(one.requirement for one in result.breaches)}
    assert wrong.requirement in told, result.reason


@pytest.mark.parametrize("name", sampled(tuple(FAULTY), sorted(FAULTY)[::16]))
def test_a_run_of_the_whole_suite_over_it_gives_its_line_of_the_matrix(name: str) -> None:
    wrong = FAULTY[name]
    line = str(Kill.of(wrong, of_the_whole_suite(name)))
    assert line in PAGE.read_text().splitlines(), "python -m tests.faulty_nodes.kill_matrix writes it again"


@pytest.mark.parametrize("wrong", FAULTY.values(), ids=FAULTY)
def test_faulty_node_breaks_a_requirement_that_its_case_names(wrong: Faulty) -> None:
    case = all_cases()[wrong.caught_by]
    assert wrong.requirement in case.requirements


def test_every_must_that_a_tester_sees_of_a_node_has_a_faulty_node() -> None:
    broken = {wrong.requirement for wrong in FAULTY.values()}
    due = {
        row.requirement.id
        for row in table()
        if row.due
        and row.requirement.level == "MUST"
        and row.requirement.role != "supervisor"
        and row.requirement.seen != "line"  # tests/faulty_lines
    }
    assert due - broken == set()


def test_the_matrix_has_a_line_for_each_and_no_other() -> None:
    nodes, _, others = PAGE.read_text().partition("## Supervisors")
    assert sum(line.startswith("| `") for line in nodes.splitlines()) == len(FAULTY)
    assert others.endswith(supervisors())
