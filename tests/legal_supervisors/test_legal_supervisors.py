"""Every legal supervisor passes: in CI the cases that look at what it does otherwise, by hand every case."""

from __future__ import annotations

import pytest

from tests.legal_supervisors.legal import Legal
from tests.legal_supervisors.variants import LEGAL


@pytest.mark.parametrize("variant", LEGAL.values(), ids=LEGAL)
def test_a_legal_supervisor_passes_the_cases_that_look_at_it(variant: Legal) -> None:
    assert variant.alarms(only=variant.seen_by) == {}


@pytest.mark.exhaustive
@pytest.mark.parametrize("variant", LEGAL.values(), ids=LEGAL)
def test_a_legal_supervisor_passes_every_case(variant: Legal) -> None:
    assert variant.alarms() == {}


def test_there_are_fifteen_of_them() -> None:
    assert len(LEGAL) >= 15
