"""YARDWIRE_SITE names the site file wherever a command needs one and no option names it."""

from __future__ import annotations

from pathlib import Path

import pytest

from conformance.commands import main
from conformance.commands.options.settings import SITE

NEEDS_A_SITE = {
    "conform": ["conform", "north", "--no-motion"],
    "fuzz": ["fuzz", "north", "--no-motion"],
    "node": ["node", "--all"],
    "watch": ["watch"],
    "link": ["link", "/dev/null"],
    "supervise a real yard": ["supervise", "--yard", "real", "--yes"],
}


@pytest.mark.parametrize("arguments", NEEDS_A_SITE.values(), ids=NEEDS_A_SITE)
def test_the_variable_names_it_and_the_option_goes_first(
    arguments: list[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(SITE, "of-the-variable.toml")
    assert main.run(arguments) == 2
    assert "of-the-variable.toml" in capsys.readouterr().err
    assert main.run([*arguments, "--site", "of-the-option.toml"]) == 2
    told = capsys.readouterr().err
    assert "of-the-option.toml" in told
    assert "of-the-variable.toml" not in told


def test_a_scenario_on_virtual_time_does_not_look_at_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(SITE, "nowhere.toml")
    assert main.run(["supervise", "01-one-crane"]) == 0
    assert "nowhere.toml" not in capsys.readouterr().err
