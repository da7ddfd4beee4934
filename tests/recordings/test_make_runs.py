"""The folder of 200 runs with which the guide 'find the run that failed' can be followed; here ten of them."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest

from conformance.recordings.runs.index import index_of
from examples.make_runs import DAYS, KINDS, RUNS, make, plans


def test_twelve_of_200_have_a_fault_and_three_of_each_kind() -> None:
    planned = plans()
    assert len(planned) == RUNS
    assert Counter(plan.fault for plan in planned if plan.fault) == dict.fromkeys(KINDS, 3)
    assert not planned[0].fault
    assert {plan.train for plan in planned if plan.fault == "weak-magnet"} == {"T-9"}


@pytest.mark.slow
@pytest.mark.wire
def test_the_index_sees_each_run_on_its_day_and_the_file_tells_what_was_planted(tmp_path: Path) -> None:
    planned = make(tmp_path, runs=10, each=1)
    runs = index_of(tmp_path).runs
    assert len(runs) == len(planned)
    assert len({run.began[:10] for run in runs}) == DAYS
    told = json.loads((tmp_path / "faults.json").read_text(encoding="utf-8"))
    assert sorted(row["kind"] for row in told.values()) == sorted(KINDS)
    assert set(told) <= {str(run.name) for run in runs}
    reset = {str(run.name) for run in runs if run.facts.resets}
    assert reset == {name for name, row in told.items() if row["kind"] == "reset-in-transfer"}
