from __future__ import annotations

import pytest

from conformance.suite.case import all_cases
from conformance.suite.traceability import TESTABLE
from conformance.suite.verdict import Verdict
from protocol.specification import specification
from tests.faulty_supervisors.every import FAULTY
from tests.faulty_supervisors.faulty import Faulty, judge

LIVES = ("supervisor-works", "supervisor-repeats", "supervisor-holds-again")
"""What a passive case judges: these bring about every kind of order."""


@pytest.mark.parametrize("wrong", FAULTY.values(), ids=FAULTY)
def test_faulty_supervisor_is_caught_by_the_case_it_names(wrong: Faulty) -> None:
    lives = LIVES if all_cases()[wrong.caught_by].passive else ()
    results = judge(wrong.kind, only=(wrong.caught_by, *lives), site=wrong.site, distort=wrong.distort)
    result = results[wrong.caught_by]
    if specification().requirements[wrong.requirement].level == "SHOULD":
        assert wrong.requirement in {one.requirement for one in result.warnings}, result.reason
        return
    assert result.verdict is Verdict.FAIL, (result.verdict, result.reason)
    assert result.evidence is not None
    assert result.evidence.requirement == wrong.requirement, result.reason


@pytest.mark.parametrize("wrong", FAULTY.values(), ids=FAULTY)
def test_faulty_supervisor_breaks_a_requirement_that_its_case_names(wrong: Faulty) -> None:
    assert wrong.requirement in all_cases()[wrong.caught_by].requirements


def test_every_requirement_on_supervisors_has_a_supervisor_that_breaks_it() -> None:
    known = specification().requirements.values()
    due = {one.id for one in known if one.role == "supervisor" and one.seen in TESTABLE}
    assert due - {wrong.requirement for wrong in FAULTY.values()} == set()
