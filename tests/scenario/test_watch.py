"""The watch sees what it is there to see."""

from __future__ import annotations

from random import Random

from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.invariant_monitor import InvariantMonitor
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.simulated_yard import SimulatedYard
from reference_node.scenario.virtual_stage import VirtualStage
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.supervisor import Supervisor

SITE = site_of_the_kit()


class Trusting(Supervisor):
    """Takes every job for done once it has ended, however it ended, and doubts nothing."""

    def outcome(self, sent: SentOrder) -> str:
        return "done"

    def doubt_after(self, node: str) -> None:
        pass


def test_a_supervisor_that_guesses_is_found_out() -> None:
    stage = VirtualStage(load_scenario("11-box-in-the-air", SITE), SITE, Trusting)
    stage.run()
    assert any("is believed" in breach for breach in stage.outcome().wrong)


def yard() -> SimulatedYard:
    found = SimulatedYard(SITE, {"stack-n": ("A", "", "", "")}, (), Random(1), 0)
    for name in found.machines:
        found.controller(name, 0)
    return found


def test_machines_that_may_meet() -> None:
    one = yard()
    watch = InvariantMonitor(one)
    crane, shuttle = one.machines["south"].crane, one.machines["ferry"].shuttle
    assert crane is not None
    assert shuttle is not None
    crane.seek_home(0)
    watch.look()
    assert watch.breaches == []
    shuttle.run_to("quay-s")
    watch.look()
    assert watch.breaches == ["south and ferry move at the same time and may meet"]


def test_a_box_that_is_lost_or_doubled() -> None:
    one = yard()
    watch, stage = InvariantMonitor(one), VirtualStage(load_scenario("01-one-crane", SITE), SITE)
    one.truth.boxes["stack-n", 2] = "A"
    watch.compare(stage.story.supervisor)
    one.truth.boxes.clear()
    watch.compare(stage.story.supervisor)
    assert watch.breaches == ["box A is in 2 places", "box A is in 0 places"]


def test_a_job_done_twice() -> None:
    one = yard()
    watch = InvariantMonitor(one)
    one.truth.deeds["north", 1, 7, "put"] = 2
    watch.look()
    assert watch.breaches == ["north did its job 7 of boot 1 2 times (put)"]
