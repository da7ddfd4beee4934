"""A fixed sample of the faulty supervisors of the matrix is still caught, with one seed."""

from __future__ import annotations

from pathlib import Path

import pytest

from conformance.suite.verdict import Verdict
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import VirtualStage
from tests.faulty_nodes.matrix.planted import SITE
from tests.faulty_supervisors.matrix.every import BREACHES
from tests.faulty_supervisors.matrix.injection import CONTEXTS, Kept, kind_of
from tests.faulty_supervisors.matrix.judge import first_failure, run_of
from tests.faulty_supervisors.matrix.plan import from_pages, planned

SAMPLE = Path(__file__).with_name("sample.txt").read_text().split()
PLANNED = {one.id: one for one in planned()}


@pytest.mark.parametrize("name", SAMPLE)
def test_faulty_supervisor_is_caught_in_its_context(name: str) -> None:
    look = first_failure(PLANNED[name], 1, where=None)
    assert look.failed is not None


def test_there_are_enough_and_each_can_be_planted() -> None:
    assert len(PLANNED) >= 250
    assert len(list(from_pages())) * 3 >= len(PLANNED)
    for one in PLANNED.values():
        assert one.breach in BREACHES
        assert set(one.when) <= set(CONTEXTS)


def test_without_a_breach_the_supervisor_passes() -> None:
    kind, _ = kind_of(None)
    results = run_of(kind, 1, ("supervisor-works", "supervisor-repeats")).perform()
    assert {result.verdict for result in results.values()} == {Verdict.PASS}


def test_a_breach_shows_only_where_its_context_comes_about() -> None:
    """What `reached` notes of a sound supervisor, in one scenario: it hears of two nodes, and is never replaced."""
    record = Kept()
    kind, _ = kind_of(None, record=record)
    VirtualStage(load_scenario("10-crane-reboots", SITE), SITE, kind).run()
    assert {"always", "boot-2", "other-node"} <= (record.reached or set())
    assert not {"link-2", "after-refused"} & (record.reached or set())
