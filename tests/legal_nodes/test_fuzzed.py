"""The fuzzer finds nothing in a node that reads only what is written rightly, and nothing in one that reads all."""

from __future__ import annotations

import pytest

from reference_node.controller.controller import Controller
from tests.faulty_nodes.bugs.campaign import campaign
from tests.legal_nodes.links import ReadsOnlyWhatIsWrittenAsItMustBe

CASES = 100


@pytest.mark.parametrize("controller", [Controller, ReadsOnlyWhatIsWrittenAsItMustBe])
def test_how_tolerant_a_node_reads_is_its_own_affair(controller: type[Controller]) -> None:
    run = campaign("ferry", controller, seed=3)
    run.run(lambda: run.cases < CASES and not run.found)
    assert [group.says for group in run.found.values()] == []
    assert run.cases >= CASES
