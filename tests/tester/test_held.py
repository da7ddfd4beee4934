"""The end of a run leaves no machine at work: it is told to hold, and stays as it is where it is at rest."""

from __future__ import annotations

import pytest

from conformance.suite.fixture import Fixture
from conformance.suite.preamble import fit, settle, start
from conformance.tester.held import held_at_its_end
from tests.faulty_nodes.faulty import run_of

NODES = ("north", "siding", "ferry")


def orders(fixture: Fixture, behind: int) -> list[str]:
    return [one.body["act"] for one in fixture.log.since(behind) if one.name == "job-order"]


@pytest.mark.parametrize("node", NODES)
def test_a_run_that_ends_with_a_job_open_holds_the_node(node: str) -> None:
    fixture, told = run_of(node).fixture, list[str]()
    with held_at_its_end(fixture, told.append, moves=True):
        fit(fixture)
        start(fixture)
        end = fixture.log.end
    assert orders(fixture, end) == ["hold"]
    assert told == [f"{node} is held."]


@pytest.mark.parametrize("node", NODES)
def test_one_at_rest_or_that_is_held_already_is_left_alone(node: str) -> None:
    fixture, told = run_of(node).fixture, list[str]()
    with held_at_its_end(fixture, told.append, moves=True):
        settle(fixture)
        end = fixture.log.end
    assert orders(fixture, end) == []
    with held_at_its_end(fixture, told.append, moves=True):
        fit(fixture)
        start(fixture)
        fixture.send({"act": "hold"})
        fixture.ask()
        end = fixture.log.end
    assert orders(fixture, end) == []
    assert told == []


def test_a_run_without_motion_holds_nobody() -> None:
    fixture, told = run_of("ferry").fixture, list[str]()

    def run() -> None:
        with held_at_its_end(fixture, told.append, moves=False):
            settle(fixture)
            raise ValueError("planted")

    with pytest.raises(ValueError, match="planted"):
        run()
    assert told == []


def test_one_of_which_no_state_was_heard_may_be_at_work() -> None:
    """Silence is no word that it is at rest."""
    fixture, told = run_of("ferry").fixture, list[str]()
    with held_at_its_end(fixture, told.append, moves=True):
        pass
    assert len(told) == 1
