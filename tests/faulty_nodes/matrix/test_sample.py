"""A fixed sample of the matrix is still caught, with one seed; `make matrix` runs all of it with five."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faulty_nodes.matrix.judge import judge
from tests.faulty_nodes.matrix.plan import planned
from tests.matrix.outcome import CAUGHT

SAMPLE = Path(__file__).with_name("sample.txt").read_text().split()
PLANNED = {one.id: one for one in planned()}


@pytest.mark.parametrize("name", SAMPLE)
def test_faulty_node_is_caught_in_its_context(name: str) -> None:
    assert judge(PLANNED[name], (1,)).state == CAUGHT


def test_the_sample_has_both_kinds() -> None:
    assert len(SAMPLE) == len(set(SAMPLE)) <= 150
    assert {PLANNED[name].from_pages for name in SAMPLE} == {True, False}
