from __future__ import annotations

import pytest

import tests.faulty_nodes.cranes
import tests.faulty_nodes.link
import tests.faulty_nodes.machines
import tests.faulty_nodes.orders  # noqa: F401 - entering the nodes
from conformance.case import all_cases
from conformance.verdict import Verdict
from tests.faulty_nodes.faulty import FAULTY, Faulty, judge


@pytest.mark.parametrize("wrong", FAULTY.values(), ids=FAULTY)
def test_faulty_node_is_caught_by_the_case_it_names(wrong: Faulty) -> None:
    # A passive case judges what the active ones bring about, so it needs them all.
    only = () if all_cases()[wrong.caught_by].passive else (wrong.caught_by,)
    results = judge(
        wrong.node, controller=wrong.controller, bench=wrong.bench, only=only, distort=wrong.distort
    )
    result = results[wrong.caught_by]
    assert result.verdict is Verdict.FAIL, (result.verdict, result.reason)
    assert result.evidence is not None
    assert result.evidence.requirement == wrong.requirement, result.reason


@pytest.mark.parametrize("wrong", FAULTY.values(), ids=FAULTY)
def test_faulty_node_breaks_a_requirement_that_its_case_names(wrong: Faulty) -> None:
    case = all_cases()[wrong.caught_by]
    assert wrong.requirement in case.requirements
