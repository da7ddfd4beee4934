"""What counts as met, as expected and as played: what was seen, and never what nobody looked at."""

from __future__ import annotations

from dataclasses import replace

import pytest

from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario import Event, Expect, Scenario, Train
from reference_node.scenario.virtual_stage import VirtualStage
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.open_goals import open_goals
from reference_node.supervisor.plan.goal_state import Visit

SITE = site_of_the_kit()
CONTENTS = {"stack-n": ("C-100", "C-101", "C-102", "")}
PLAIN = Scenario(SITE.name, "plain", 60_000, contents=CONTENTS, boxes={"C-101": Spot("stack-n", 3)})
LOADED = Scenario(
    SITE.name, "a train", 120_000, contents={"stack-s": ("C-1", "")},
    trains=(Train(Visit("T-1", "siding", ("", "", ""), {0: "C-1"})),),
)  # fmt: skip


def played(scenario: Scenario) -> VirtualStage:
    stage = VirtualStage(scenario, SITE)
    stage.run()
    return stage


def test_without_a_word_from_any_node_nothing_is_finished() -> None:
    stage = VirtualStage(replace(PLAIN, boxes={}), SITE)
    for name in stage.yard.machines:
        stage.bus.detach(name, graceful=False)
    stage.run()
    assert not stage.story.supervisor.finished
    outcome = stage.outcome()
    assert not outcome.met
    assert "never heard of and claimed: north, south, siding, ferry" in outcome.wrong


def test_a_job_that_fails_where_nothing_was_disturbed_is_not_as_expected() -> None:
    stage = VirtualStage(PLAIN, SITE)
    stage.yard.move_by_hand("C-101", Spot("stack-s", 0))
    stage.run()
    outcome = stage.outcome()
    assert outcome.failed > 0
    assert any(
        what.startswith(f"{outcome.failed} jobs failed or ended unknown, not 0") for what in outcome.wrong
    )


@pytest.mark.parametrize(
    ("disturbed", "expected"),
    [
        ({}, 0),
        ({"events": (Event("hold", at_ms=0, node="all"),)}, None),
        ({"loss": 0.1}, None),
        ({"expect": Expect(failed=2)}, 2),
        ({"events": (Event("hold", at_ms=0, node="all"),), "expect": Expect(failed=0)}, 0),
    ],
)
def test_how_many_jobs_may_fail(disturbed: dict[str, object], expected: int | None) -> None:
    assert replace(PLAIN, **disturbed).expected_failures == expected  # type: ignore[arg-type]


def test_goals_are_open_until_they_are_seen() -> None:
    stage = VirtualStage(LOADED, SITE)
    supervisor = stage.story.supervisor
    wanted = ("train T-1 at siding with C-1 in slot 0",)
    assert open_goals(supervisor) == wanted
    stage.begin()
    assert stage.time.run_until_true(lambda: supervisor.execution.been["siding"] == ["T-1"], 120_000)
    assert open_goals(supervisor) == wanted
    assert stage.time.run_until_true(lambda: stage.story.is_over, 120_000)
    assert open_goals(supervisor) == ()


def test_a_supervisor_that_winds_up_leaves_its_goals_open() -> None:
    stage = VirtualStage(replace(PLAIN, boxes={"C-101": Spot("stack-s", 0)}), SITE)
    supervisor = stage.story.supervisor
    stage.begin()
    assert stage.time.run_until_true(lambda: any(s.job for s in supervisor.sessions.values()), 60_000)
    supervisor.wind_up()
    ordered = len(supervisor.history) + sum(s.job is not None for s in supervisor.sessions.values())
    stage.time.run_until(stage.now_ms + 60_000)
    assert not any(session.job for session in supervisor.sessions.values())
    assert len(supervisor.history) == ordered
    assert not supervisor.finished
    assert open_goals(supervisor) == ("box C-101 to stack-s slot 0",)


def test_what_a_real_yard_ends_with_is_judged_by_what_was_said() -> None:
    """Where nobody can look behind the bus, an expectation is judged by the bus, and is never just left out."""
    wrong = Expect(boxes={"C-100": Spot("stack-n", 3)}, gone=("C-1",))
    stage = played(replace(PLAIN, expect=wrong))
    told = stage.story.outcome(None, ()).wrong
    assert "stack-n slot 3 holds C-101 instead of C-100, by what was said on the bus" in told
    assert "box C-1 was not seen to leave with a train" in told
    right = played(replace(LOADED, expect=Expect(gone=("C-1",))))
    assert right.story.outcome(None, ()).wrong == ()


def test_an_event_of_a_person_counts_once_the_bus_shows_it() -> None:
    stage = played(PLAIN)
    story = stage.story
    for event in (Event("reboot", node="ferry"), Event("box-by-hand", box="C-100", to=Spot("stack-s", 0))):
        story.look_for(event)
    stage.time.run_until(stage.now_ms + 10_000)
    assert not story.is_over
    told = story.outcome(None, ()).wrong
    assert "this was not seen on the bus: switch ferry off and on" in told
    assert "nobody said that this was done: put box C-100 to stack-s slot 0 by hand" in told
    assert story.said_done() == "put box C-100 to stack-s slot 0 by hand"
    stage.bus.detach("ferry", graceful=False)
    stage.bus.attach(stage.yard.controller("ferry", stage.now_ms))
    stage.time.run_until(stage.now_ms + 10_000)
    story.go_on()
    assert not any("seen on the bus" in what or "was done" in what for what in story.outcome(None, ()).wrong)
