"""Every faulty end of a line is caught by the case it names; the sound one passes the whole suite."""

from __future__ import annotations

import pytest

from conformance.suite.case import all_cases
from conformance.suite.traceability import table
from conformance.suite.verdict import Verdict
from tests.faulty_lines.faulty_line import FAULTY_LINES, FaultyLine, bench_of, run_of
from tests.faulty_lines.lines import SaysItOnce
from tests.sample import sampled

assert SaysItOnce.__name__ in FAULTY_LINES


@pytest.mark.parametrize("wrong", FAULTY_LINES.values(), ids=FAULTY_LINES)
def test_faulty_line_is_caught_by_the_case_it_names(wrong: FaultyLine) -> None:
    case = all_cases()[wrong.caught_by]
    assert wrong.requirement in case.requirements
    results = run_of(bench_of("siding", node_class=wrong.node_class), "siding", (case.id,)).perform()
    result = results[case.id]
    assert result.verdict is Verdict.FAIL, (result.verdict, result.reason)
    assert result.evidence is not None
    told = {result.evidence.requirement, *(one.requirement for one in result.breaches)}
    assert wrong.requirement in told, result.reason


def test_every_must_that_a_tap_on_a_line_sees_of_a_node_has_a_case_and_a_faulty_line() -> None:
    broken = {wrong.requirement for wrong in FAULTY_LINES.values()}
    due = [row for row in table() if row.requirement.seen == "line" and row.requirement.role == "node"]
    must = {row.requirement.id for row in due if row.requirement.level == "MUST"}
    assert must == {"SER-03", "SER-04", "SER-05", "SER-06", "SER-07", "SER-08"}
    assert must <= broken
    assert all(row.covered for row in due if row.requirement.level == "MUST")


@pytest.mark.parametrize("name", sampled(["north", "siding", "ferry", "south"], ["north"]))
def test_a_sound_node_on_a_line_passes_the_whole_suite(name: str) -> None:
    """With motion, and a gateway between it and the bus: cases of the network judge it as any other."""
    run = run_of(bench_of(name), name)
    results = run.perform()
    wrong = {
        id_: (result.verdict.word, result.reason)
        for id_, result in results.items()
        if result.verdict not in (Verdict.PASS, Verdict.NONE)
    }
    assert wrong == {}
    assert run.verdict is Verdict.PASS
    chapter = [result.verdict for result in results.values() if result.case.chapter == "serial"]
    assert len(chapter) == 6
    assert set(chapter) == {Verdict.PASS}


def test_a_node_in_the_network_is_not_asked_for_it() -> None:
    from tests.faulty_nodes.faulty import judge

    results = judge("siding", only=("serial-frames", "serial-status-again"))
    for id_ in ("serial-frames", "serial-status-again"):
        assert results[id_].verdict is Verdict.NONE
        assert results[id_].reason == "the node is on no serial line (--serial)"
