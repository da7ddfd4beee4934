"""A train does not leave with a box that is wanted elsewhere, only because that box cannot be taken off just now."""

from __future__ import annotations

import pytest

from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario import Event, Person, Scenario, Train
from reference_node.scenario.virtual_stage import VirtualStage
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import Visit
from tests.sample import sampled

SITE = site_of_the_kit()
WITHIN_MS = 300_000


WAYS = [("ferry", ""), ("ferry", "C-1"), ("south", ""), ("south", "C-1")]


@pytest.mark.parametrize("way", sampled(WAYS, [("ferry", ""), ("south", "C-1")], rest="slow"))
def test_it_waits_while_the_way_has_to_be_seen_to(way: tuple[str, str]) -> None:
    node, box = way
    takes = {0: box} if box else {}
    visit = Visit("T-1", "siding", ("", "", "C-9"), takes)
    stage = VirtualStage(
        Scenario(
            SITE.name, "a node restarts while a train stands", WITHIN_MS, seed=1,
            contents={"stack-s": ("C-1", "")}, boxes={"C-9": Spot("stack-n", 0)}, trains=(Train(visit),),
            person=Person(walk_ms=30_000),
        ),
        SITE,
    )  # fmt: skip
    stage.begin()
    supervisor = stage.story.supervisor
    assert stage.time.run_until_true(lambda: "siding" in supervisor.execution.under_way, WITHIN_MS)
    stage.happen(Event("reboot", node=node))
    assert stage.time.run_until_true(lambda: supervisor.finished, WITHIN_MS), "\n".join(stage.story.log)
    assert stage.yard.truth.boxes["stack-n", 0] == "C-9"
    assert stage.watch.breaches == []
