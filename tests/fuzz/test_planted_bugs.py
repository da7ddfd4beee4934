"""Every planted bug is found by the whole campaign, on virtual time, with one seed and one budget."""

from __future__ import annotations

import pytest

from benchmarks.fuzz import CASES, SEED
from conformance.fuzz.run.campaign import FindingGroup
from tests.faulty_nodes.bugs.campaign import campaign
from tests.faulty_nodes.bugs.catalogue import BUGS, Bug


@pytest.mark.parametrize("bug", BUGS.values(), ids=BUGS)
def test_planted_bug_is_found(bug: Bug) -> None:
    run = campaign(bug.node, bug.controller, seed=SEED, shorten_tries=0)
    run.run(lambda: run.cases < CASES and not run.found)
    assert run.found, f"{run.cases} cases"


def test_there_are_enough_of_each_kind() -> None:
    assert len(BUGS) >= 20
    assert sum(bug.needs in ("wrap", "link") for bug in BUGS.values()) >= 10


def short(name: str) -> FindingGroup:
    bug = BUGS[name]
    run = campaign(bug.node, bug.controller, seed=SEED)
    run.run(lambda: run.cases < CASES and not run.found)
    return next(iter(run.found.values()))


@pytest.mark.parametrize(
    ("name", "most"),
    [
        ("StopsReadingWhereTheObjectEnds", 1),
        ("LooksUpAnyAct", 1),
        ("CountsAHoldOnce", 3),
        ("ResetFaultRestartsTheJob", 4),
        ("LowersItsMarkAtAReconnect", 2),
        ("DeadlinesAreComparedWithLess", 1),
        ("RemembersTheLastFourOrders", 8),
    ],
)
def test_a_finding_is_made_short(name: str, most: int) -> None:
    found = short(name)
    assert found.repeats
    assert len(found.steps) <= most, found.says


def test_the_watchdog_is_seen_through() -> None:
    """A board that starts again by itself at once answers every ask: its boot gives it away."""
    found = short("LooksUpAnyAct")
    assert found.finding.requirement == "MSG-05"
    assert "watchdog" in found.finding.what
