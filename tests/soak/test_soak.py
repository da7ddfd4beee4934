"""A sample of what `make soak` does at length; on a sound link tests/tester judges the same nodes and supervisor."""

from __future__ import annotations

import pytest

from tests.sample import sampled
from tests.soak.virtual import LINKS, runs, supervisor_runs


@pytest.mark.parametrize("link", sampled(tuple(LINKS), ["slow and lossy"]))
def test_no_false_alarm(link: str) -> None:
    outcomes = list(runs(2, link))
    assert {outcome.what: outcome.alarms for outcome in outcomes if outcome.alarms} == {}
    assert len(outcomes) == 8


@pytest.mark.parametrize("link", [link for link in LINKS if link != "sound"])
def test_no_false_alarm_over_a_supervisor(link: str) -> None:
    outcomes = list(supervisor_runs(1, link))
    assert {outcome.what: outcome.alarms for outcome in outcomes if outcome.alarms} == {}
