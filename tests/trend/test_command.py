"""`yardwire trend` as a user runs it, on weeks of recordings."""

from __future__ import annotations

import json
import re
from pathlib import Path
from random import Random
from typing import Any

import pytest

from protocol.site_file import scenario, scenario_text
from tests.trend.conftest import Yardwire
from tests.trend.weeks import weeks

RUNS = 50
SOUND = 20
DAYS = 1.4
A_WEEK = 0.005


def drifting(number: int, node: str, message: str, body: dict[str, Any]) -> None:
    """The train coasts 0.5 % a week farther; how exactly it stops scatters by a unit or two."""
    if message == "train-arrival" and "reading" in body:
        gone = max(0, number - SOUND) * DAYS / 7
        body["reading"] = round(300 * (1 + A_WEEK * gone) + Random(number).gauss(0, 1.2))


def steady(number: int, node: str, message: str, body: dict[str, Any]) -> None:
    if message == "train-arrival" and "reading" in body:
        body["reading"] = round(300 + Random(number).gauss(0, 1.2))


@pytest.fixture(scope="module")
def drift(short_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drift")
    weeks(short_run, folder, RUNS, drifting, days=DAYS)
    return folder


def test_a_drift_of_half_a_percent_a_week_is_told_before_the_tables_end(
    yardwire: Yardwire, drift: Path, tmp_path: Path
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(scenario_text())
    done = yardwire("trend", str(drift), "--site", str(site), "--json")
    assert done.returncode == 1, done.stderr
    found = json.loads(done.stdout)
    assert [(one["node"], one["figure"], one["train"]) for one in found["alarms"]] == [
        ("siding", "reading", "T-7")
    ]
    alarm = found["alarms"][0]
    number = int(re.fullmatch(r"run-(\d+)\.ywrec#1", alarm["run"])[1])  # type: ignore[index]
    end = scenario().nodes["south"].crane.places["siding"].table[-1][0]  # type: ignore[union-attr]
    chart = next(one for one in found["charts"] if one["figure"] == "reading")
    at_alarm = next(point["value"] for point in chart["points"] if point["run"] == number)
    assert SOUND < number < RUNS
    assert at_alarm < end
    # 1.5 a week from 300 meets 405 after 70 weeks, of which 6 are over at the last run; +-30 % for the scatter.
    assert alarm["weeks"] == pytest.approx(64, rel=0.3)
    assert re.search(r"the rest reading is \d\S* higher \(\d\.\d mm on x of south", alarm["says"])
    assert "beyond the upper end of the table of south, 405, in" in alarm["says"]


def test_runs_in_which_nothing_changes_are_fine(yardwire: Yardwire, short_run: Path, tmp_path: Path) -> None:
    weeks(short_run, tmp_path, 30, steady, days=DAYS)
    done = yardwire("trend", str(tmp_path))
    assert done.returncode == 0, done.stdout
    assert "Nothing has left its limits" in done.stdout
    assert "30 runs, 2 March to 12 April 2026" in done.stdout


def test_limits_can_be_learned_from_runs_that_are_named(yardwire: Yardwire, drift: Path) -> None:
    last = [option for number in range(RUNS - 12, RUNS) for option in ("--good", name_of(number))]
    done = yardwire("trend", str(drift), *last, "--json")
    chart = next(one for one in json.loads(done.stdout)["charts"] if one["figure"] == "reading")
    assert chart["learned_from"] == list(range(RUNS - 12, RUNS))
    unknown = yardwire("trend", str(drift), "--good", "nothing.ywrec")
    assert unknown.returncode == 2
    assert "there is no run 'nothing.ywrec'" in unknown.stderr


def name_of(number: int) -> str:
    return f"run-{number:03}.ywrec#1"


def test_few_runs_are_said_to_be_few(yardwire: Yardwire, short_run: Path, tmp_path: Path) -> None:
    weeks(short_run, tmp_path, 3, steady)
    done = yardwire("trend", str(tmp_path))
    assert done.returncode == 0
    assert "Nothing can be judged yet" in done.stdout
    assert yardwire("trend", str(tmp_path / "nowhere")).returncode == 2


def test_the_page_stands_alone_and_has_a_chart_of_every_figure(
    yardwire: Yardwire, drift: Path, tmp_path: Path
) -> None:
    page = tmp_path / "trend.html"
    done = yardwire("trend", str(drift), "--html", str(page), "--json")
    assert done.returncode == 1
    text = page.read_text()
    assert not re.search(r"(src|href)\s*=\s*[\"']?(https?:)?//", text)
    charts = len(json.loads(done.stdout)["charts"])
    assert text.count('<svg viewBox="0 0 340') == charts > 25
    assert re.search(r">[0-9]+ (Mar|Apr)<", text), "axes are of the wall clock"
