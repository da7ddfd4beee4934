"""Imperfect mechanisms in a scenario and under `yardwire node`: the same ones that a measurement finds."""

from __future__ import annotations

import pytest

from conformance.commands.main import run
from conformance.commands.node import StandingTrains
from conformance.commands.options.imperfect import KINDS
from protocol.site_file import scenario
from reference_node.machines import imperfect
from reference_node.machines.imperfect import planted_tracks
from reference_node.mechanism.imperfection import Eccentric
from reference_node.scenario.scenario_file import BadScenario, read_scenario, schema
from reference_node.scenario.virtual_stage import VirtualStage
from tests.measure.measured_yard import BERTH, CRANE, MeasuredYard

SITE = scenario()
TEXT = """
scenario = 1
site = "harlow-basin"
title = "A train over a mechanism"
within_s = 120
seed = 3
{imperfect}

[[trains]]
berth = "siding"
train = "T-7"
"""


def stage(line: str) -> VirtualStage:
    return VirtualStage(read_scenario(TEXT.format(imperfect=line).encode(), "s.toml", SITE), SITE)


def test_a_scenario_plants_what_it_says_and_nothing_else() -> None:
    planted = stage('imperfect = ["period"]').yard.truth.imperfect
    (track,) = planted.values()
    assert list(planted) == [(CRANE, BERTH)]
    assert [type(one) for one in track.mechanism.imperfections] == [Eccentric]
    assert planted == planted_tracks(SITE, ["period"], 3)
    assert planted != planted_tracks(SITE, ["period"], 4)
    assert stage("").yard.truth.imperfect == {}


def test_what_nobody_can_plant_is_refused() -> None:
    with pytest.raises(BadScenario, match="imperfect"):
        stage('imperfect = ["rust"]')


def test_option_file_and_simulation_know_the_same_kinds() -> None:
    in_file = schema()["properties"]["imperfect"]["items"]["enum"]
    assert tuple(in_file) == KINDS == imperfect.KINDS


@pytest.mark.parametrize(
    "words", [["siding", "--serial", "/dev/tty-none"], ["yard", "--yes"]], ids=["line", "yard"]
)
def test_a_node_that_shares_no_mechanism_has_none(
    words: list[str], tmp_path: object, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(str(tmp_path))
    assert run(["site", "new", "site.toml"]) == 0
    assert run(["node", *words, "--imperfect", "gap"]) == 2
    assert "run both in one command, on a broker" in " ".join(capsys.readouterr().err.split())


def test_it_is_told_where_a_train_rests(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody could measure otherwise: `yardwire node` shows no crane."""
    monkeypatch.setattr("reference_node.measuring.gates.name_is_ours_ms", lambda: 500)
    yard = MeasuredYard(planted=["period"])
    told = StandingTrains(yard.site, [CRANE, BERTH], yard.yard.truth)
    told.tell()
    assert capsys.readouterr().out == ""
    yard.at_rest()
    told.tell()
    told.tell()
    said = capsys.readouterr().out
    stands = yard.yard.truth.rests_at(CRANE, BERTH)
    assert said == (
        f"in the simulated yard: a train rests at {BERTH}; over a slot, axis x of {CRANE} is right at {stands:.1f} "
        "and what the slot adds\n"
    )
