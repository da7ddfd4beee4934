"""The whole task on the simulated yard: from no pairs to a written table, verified; and pairs out of a recording."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from conformance.commands.main import run
from conformance.measure.check_run import checked
from conformance.measure.pairs import Approach, Pair, pairs_text, read_pairs
from conformance.measure.recorded_pairs import recorded_pairs
from protocol.position_table import PositionTable
from protocol.recording import RecordedMessage
from protocol.site_file import load_site, scenario_text
from tests.measure.measured_yard import MeasuredYard

Said = Callable[..., tuple[int, str, str]]


@pytest.fixture
def say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Said:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(scenario_text(), encoding="utf-8")

    def said(*words: str) -> tuple[int, str, str]:
        code = run(["measure", *words])
        found = capsys.readouterr()
        return code, found.out, found.err

    return said


@pytest.mark.slow
@pytest.mark.exhaustive
def test_from_no_table_to_one_that_holds_with_an_eccentric(say: Said) -> None:
    """In under 15 minutes of virtual time; checked on another day, at readings that were not measured."""
    virtual = ("--yard", "virtual", "--imperfect", "period", "--seed", "3")
    code, out, err = say("collect", "pairs.csv", "--arrivals", "24", *virtual)
    assert code == 0, err
    pairs = read_pairs(Path("pairs.csv").read_text(), "pairs.csv")
    assert len(pairs) == 48
    assert f"{len(pairs)} pairs of 24 arrivals in " in out
    assert max(pair.at_s or 0 for pair in pairs) < 15 * 60
    assert {pair.approach for pair in pairs} == {Approach.UP, Approach.DOWN}
    before = load_site("site.toml").nodes["south"].digest
    code, out, err = say("table", "pairs.csv", "--needed", "1.2", "--json", "--write")
    assert code == 0, err
    found = json.loads(out)
    assert "period" in found["named"]
    assert load_site("site.toml").nodes["south"].digest == found["digest"]["is"] != before
    assert say("collect", "checks.csv", "--arrivals", "12", *virtual)[0] == 0
    code, out, _ = say("verify", "pairs.csv", "checks.csv", "--json")
    result = json.loads(out)
    assert (code, result["holds"]) == (0, True)
    assert result["arrivals"] >= 8
    checks = read_pairs(Path("checks.csv").read_text(), "checks.csv")
    moved = [replace(pair, position=pair.position + 3) for pair in checks]  # A belt has slipped since.
    Path("moved.csv").write_text(pairs_text(moved), encoding="utf-8")
    code, out, _ = say("verify", "pairs.csv", "moved.csv")
    assert code == 1
    assert "NOT as stated" in out


@pytest.mark.slow
def test_it_goes_on_with_the_same_file(say: Said) -> None:
    virtual = ("--yard", "virtual", "--arrivals", "3")
    assert say("collect", "pairs.csv", *virtual)[0] == 0
    first = Path("pairs.csv").read_text()
    code, out, _ = say("collect", "pairs.csv", *virtual)
    assert code == 0
    assert "6 pairs are there; more are added" in out
    assert Path("pairs.csv").read_text().startswith(first)
    times = [pair.at_s for pair in read_pairs(Path("pairs.csv").read_text(), "p")]
    assert times == sorted(times)  # type: ignore[type-var]
    assert len(set(times)) == 12


def test_a_file_of_something_else_is_not_added_to(say: Said) -> None:
    Path("pairs.csv").write_text("reading,position\n1,2\n", encoding="utf-8")
    code, _, err = say("collect", "pairs.csv", "--yard", "virtual", "--arrivals", "3")
    assert code == 2
    assert "its columns are not those" in err
    assert Path("pairs.csv").read_text() == "reading,position\n1,2\n"


def test_the_verifying_run_leaves_out_what_was_measured_and_counts_what_is_outside() -> None:
    table = PositionTable(((100, 300), (400, 330)))
    checks = [[Pair(reading, 300 + (reading - 100) / 10, Approach.UP)] for reading in range(110, 400, 20)]
    checks += [[Pair(100, 350.0)], [Pair(90, 350.0)]]
    found = checked(table, 1.0, {100}, checks)
    assert (found.number, found.outside, found.known, found.beyond, found.holds) == (15, 0, 1, 1, True)
    wrong = [[Pair(one.reading, one.position + 1.6)] for (one,) in checks[:4]] + checks[4:15]
    found = checked(table, 1.0, (), wrong)
    assert (found.outside, found.holds) == (4, False)
    # The sum of the binomial distribution from 4 of 15 at 5 % (any table of it).
    assert found.chance == pytest.approx(0.0055, abs=2e-4)
    assert found.worst == pytest.approx(-1.6, abs=0.5)
    assert checked(table, 1.0, (), checks[:7]).holds is None


def test_pairs_out_of_a_recording_are_the_last_jogs(monkeypatch: pytest.MonkeyPatch) -> None:
    """One a rest, where it stood last, whence it came; a place without a train is none."""
    monkeypatch.setattr("reference_node.measuring.gates.name_is_ours_ms", lambda: 500)
    yard = MeasuredYard()
    yard.at_rest()
    for line in ("x 40", "x 20", "x -3"):
        yard.say(line)
    first = yard.stands()[0]
    yard.say("next branch")
    yard.say("x 7")
    second = yard.stands()[0]
    yard.say("depart", then=None)
    yard.run_for(40)
    items = [
        RecordedMessage(entry.at_ms * 1000, entry.topic, entry.payload, entry.qos, entry.retain, dup=False)
        for entry in yard.bus.log
    ]
    found = list(recorded_pairs(items, "south", "siding", 0))
    assert [(pair.position, pair.approach, pair.train) for pair in found] == [
        (first, Approach.DOWN, "shunter"),
        (second, Approach.UP, "branch"),
    ]
    assert all(100 <= pair.reading <= 410 for pair in found)
