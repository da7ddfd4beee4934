"""The end of a run leaves no machine at work: it is told to hold, and stays as it is where it is at rest."""

from __future__ import annotations

import pytest

from conformance.commands.tap.held import held_when_stopped
from conformance.suite.fixture import Fixture
from conformance.suite.preamble import fit, settle, start
from tests.faulty_nodes.faulty import run_of

Capture = pytest.CaptureFixture[str]
NODES = ("north", "siding", "ferry")


def orders(fixture: Fixture, behind: int) -> list[str]:
    return [one.body["act"] for one in fixture.log.since(behind) if one.name == "job-order"]


@pytest.mark.parametrize("node", NODES)
def test_a_run_that_ends_with_a_job_open_holds_the_node(node: str, capsys: Capture) -> None:
    fixture = run_of(node).fixture
    with held_when_stopped(fixture, moves=True):
        fit(fixture)
        start(fixture)
        end = fixture.log.end
    assert orders(fixture, end) == ["hold"]
    assert capsys.readouterr().err.startswith(
        f"{node} is held.\nCAUTION: keep hands and tools out of the machine"
    )


@pytest.mark.parametrize("node", NODES)
def test_one_at_rest_or_that_is_held_already_is_left_alone(node: str, capsys: Capture) -> None:
    fixture = run_of(node).fixture
    with held_when_stopped(fixture, moves=True):
        settle(fixture)
        end = fixture.log.end
    assert orders(fixture, end) == []
    with held_when_stopped(fixture, moves=True):
        fit(fixture)
        start(fixture)
        fixture.send({"act": "hold"})
        fixture.ask()
        end = fixture.log.end
    assert orders(fixture, end) == []
    assert capsys.readouterr().err == ""


def test_a_run_without_motion_holds_nobody(capsys: Capture) -> None:
    fixture = run_of("ferry").fixture

    def run() -> None:
        with held_when_stopped(fixture, moves=False):
            settle(fixture)
            raise ValueError("planted")

    with pytest.raises(ValueError, match="planted"):
        run()
    assert capsys.readouterr().err == ""


def test_one_of_which_no_state_was_heard_may_be_at_work(capsys: Capture) -> None:
    """Silence is no word that it is at rest."""
    fixture = run_of("ferry").fixture
    with held_when_stopped(fixture, moves=True):
        pass
    assert "ferry" in capsys.readouterr().err
