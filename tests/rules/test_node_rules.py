"""The rules that a node keeps. Each story is told twice: with the rule it ends well, and with the rule taken
away, by a subclass, the very same script ends badly. What is asserted is what really happened in the yard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any, Literal

import pytest

from protocol.guards import Order
from protocol.participant import Publication
from protocol.site import Site
from protocol.site_file import scenario
from protocol.transition_table import Check
from protocol.wire.virtual_broker import Intercept
from reference_node.boot_counter import next_boot
from reference_node.controller.controller import Controller
from reference_node.controller.order_desk import OrderDesk
from reference_node.roles.crane import Crane
from reference_node.supervisor.plan.goals import Move
from tests.supervisor.terminal import Hand, Terminal, believes_only_truth, read, where

ONE_BOX = {("stack-n", 0): "B1"}
THERE: dict[str, Any] = {"from": "stack-n", "from_slot": 0, "to": "stack-n", "to_slot": 2, "box": "B1"}
BACK: dict[str, Any] = {"from": "stack-n", "from_slot": 2, "to": "stack-n", "to_slot": 0, "box": "B1"}


def without(check: str) -> type[Controller]:
    """A node that leaves one check of the table of orders out."""

    class Desk(OrderDesk):
        def checks(self) -> Sequence[Check]:
            return [one for one in super().checks() if one.name != check]

    class Forgetful(Controller):
        desk_class = Desk

    return Forgetful


def channel(id_: int, *delays_ms: int) -> Intercept:
    """A channel that delivers order `id_` after these delays, once for each, and all else at once."""

    def deliver(sender: str, receiver: str, publication: Publication) -> list[tuple[int, Publication]] | None:
        if not publication.topic.endswith("/job-order"):
            return None
        order = read(publication.topic, publication.payload) or {}
        return [(delay_ms, publication) for delay_ms in delays_ms] if order.get("id") == id_ else None

    return deliver


def crane(kind: type[Controller], site: Site | None = None) -> tuple[Terminal, Hand]:
    """Crane north alone with one box, and somebody who orders it."""
    terminal = Terminal(nodes=("north",), boxes=ONE_BOX, site=site, kinds={"north": kind})
    return terminal, Hand(terminal, "north")


def stands_at(terminal: Terminal, slot: int) -> bool:
    """Whether the box really stands in this slot of the stack, and nothing was dropped."""
    return where(terminal.truth, "B1") == ("stack-n", slot) and terminal.truth.accidents == []


# ---------------------------------------------------------------- rule 1: the order of checks, and the mark
@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (without("at_or_below_mark"), False)])
def test_rule_1_an_old_order_that_comes_again_is_stale(kind: type[Controller], safe: bool) -> None:
    """1,2,3,2,3,4 is a legal sequence at QoS 1 (MQTT 3.1.1 section 4.6), and the job table of one has
    forgotten order 11. Without the mark it is done again: the box goes where nobody expects it.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    terminal.bus.intercept = channel(11, 0, 15_000)
    hand.job("transfer", 11, **THERE)
    hand.wait_for(11, "done")
    hand.job("transfer", 12, **BACK)
    hand.wait_for(12, "done")
    terminal.run_for(25)
    assert stands_at(terminal, 0) is safe


class RaisesLate(OrderDesk):
    """Raises the mark only for what it accepts."""

    def raise_mark(self, order: Order, _reason: str) -> None:
        pass

    def accept(self, order: Order, reason: str) -> None:
        super().raise_mark(order, reason)
        super().accept(order, reason)


class RaisesMarkLate(Controller):
    desk_class = RaisesLate


@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (RaisesMarkLate, False)])
def test_rule_1_a_refused_order_is_used_up(kind: type[Controller], safe: bool) -> None:
    """Order 12 is refused as busy, so whoever sent it plans again. If the mark is not raised before that
    check, the second delivery of order 12 finds the crane free, and is obeyed.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    terminal.bus.intercept = channel(12, 0, 12_000)
    hand.job("transfer", 11, **THERE)
    hand.job("transfer", 12, after_ms=500, **BACK)
    assert hand.wait_for(12, "refused")["reason"] == "busy"
    terminal.run_for(25)
    assert stands_at(terminal, 2) is safe


# ---------------------------------------------------------------- rule 2: repeats
class DoesItAgain(OrderDesk):
    """Takes a repeat of its last job for a new one."""

    def repeat(self, order: Order, reason: str) -> None:
        self.accept(order, reason)


class RepeatsItsJob(Controller):
    desk_class = DoesItAgain


def gripped_once(terminal: Terminal) -> bool:
    """Whether the spreader has closed and opened once: the job was done once."""
    found = terminal.machines["north"].crane
    assert found is not None
    return found.spreader.starts == 2


@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (RepeatsItsJob, False)])
def test_rule_2_a_job_that_is_repeated_is_done_once(kind: type[Controller], safe: bool) -> None:
    """The report 'done' was lost, so the order is sent again, as it has to be. A crane that does it again
    grips where no box is any more.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    terminal.bus.intercept = channel(11, 0, 10_000)
    hand.job("transfer", 11, **THERE)
    hand.wait_for(11, "done")
    terminal.run_for(20)
    assert gripped_once(terminal) is safe


class CancelsTooLate(Controller):
    """Says 'cancelled' of a job that has picked."""

    def past_return(self) -> None:
        pass


@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (CancelsTooLate, False)])
def test_rule_2_cancelled_means_that_nothing_was_picked(kind: type[Controller], safe: bool) -> None:
    """The supervisor cancels while the box hangs in the air. 'cancelled' would let it believe that the box
    still stands where it was; 'too-late' and then 'done' tell it where it is.
    """
    terminal = Terminal(kinds={"north": kind})
    supervisor = terminal.supervise(goals=(Move("B2", "stack-n", 3),))
    terminal.run_until(lambda: terminal.spreader_holds("north") == "B2")
    supervisor.goals.clear()
    supervisor.open_questions.listen(None)
    supervisor.cancel("north")
    terminal.run_until(lambda: supervisor.sessions["north"].job is None)
    assert believes_only_truth(supervisor, terminal) is safe


# ---------------------------------------------------------------- rule 3: identity is boot and id
@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (without("other_boot"), False)])
def test_rule_3_an_order_for_another_boot_is_not_obeyed(kind: type[Controller], safe: bool) -> None:
    """An order is on its way while the crane resets. In the new boot the mark is lower again, so only the
    boot in the order tells that it was planned for another life.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    hand.job("transfer", 500, after_ms=12_000, **THERE)
    terminal.run_for(1)
    terminal.reset("north")
    hand.ready(11, boot=2)
    terminal.run_for(20)
    assert stands_at(terminal, 0) is safe


# ---------------------------------------------------------------- rule 5: the deadline
class WithoutAnyDeadline(without("past_deadline")):  # type: ignore[misc]
    """Of 1.0, so that the second net, which ends what has not started in time [ORD-23], is not there either."""

    minor = 0


@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (WithoutAnyDeadline, False)])
def test_rule_5_an_order_past_its_deadline_is_not_obeyed(kind: type[Controller], safe: bool) -> None:
    """The order sticks in the channel for longer than it was good for. Obeyed after its time, it finds
    another yard than the one that it was planned for.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    terminal.bus.intercept = channel(11, 30_000)
    hand.job("transfer", 11, lead_ms=25_000, **THERE)
    terminal.run_for(45)
    assert stands_at(terminal, 0) is safe


# ---------------------------------------------------------------- rule 8: hold and resume
@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (without("holds_moved_on"), False)])
def test_rule_8_a_resume_does_not_undo_a_hold_that_it_has_not_seen(
    kind: type[Controller], safe: bool
) -> None:
    """One person holds and sends resume. Before that arrives another holds too, and reaches into the
    machine. The resume names the count of one hold, there were two: without that check the crane goes on.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    hand.job("transfer", 11, **THERE)
    terminal.run_for(0.5)
    hand.send("hold")
    hand.send("hold", after_ms=1_000)
    hand.send("resume", after_ms=2_000, id=12, boot=1, holds=1)
    terminal.run_for(1.5)
    starts = terminal.machines["north"].starts
    terminal.run_for(10)
    assert (terminal.machines["north"].starts == starts) is safe


# ---------------------------------------------------------------- rule 9: the box in the air
class Forgets(Crane):
    """Takes its spreader for empty after a start."""

    def load_at_start(self) -> Literal["none"]:
        return "none"


class ForgetsItsLoad(Controller):
    crane_class = Forgets


def site_without_load_sensor() -> Site:
    site = scenario()
    north = site.nodes["north"]
    assert north.crane is not None
    blind = replace(north, crane=replace(north.crane, load_sensor=False))
    return replace(site, nodes={**site.nodes, "north": blind})


@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (ForgetsItsLoad, False)])
def test_rule_9_the_box_in_the_air_is_not_forgotten(kind: type[Controller], safe: bool) -> None:
    """A crane without a load sensor resets with a box in its spreader. One that says 'none' takes the next
    order, opens over nothing for it, and the box falls.
    """
    terminal, hand = crane(kind, site_without_load_sensor())
    terminal.run_until(lambda: terminal.bus.is_up("north"))
    hand.send("reset-fault", id=9, boot=1, faults=0, found="none")
    hand.ready(10)
    hand.job("transfer", 11, **THERE)
    terminal.run_until(lambda: terminal.spreader_holds("north") == "B1")
    terminal.run_for(1)
    terminal.reset("north")
    hand.ready(12, boot=2)
    hand.job("transfer", 13, boot=2, **BACK)
    terminal.run_for(15)
    assert (terminal.truth.accidents == []) is safe


# ---------------------------------------------------------------- rule 10: faults
class Eager(Controller):
    """Begins the failed job again once the fault is reset."""

    def reset_fault(self, order: Order) -> None:
        super().reset_fault(order)
        if self.job is not None and self.job.state == "failed":
            self.begin(self.job.order)


@pytest.mark.parametrize(("kind", "safe"), [(Controller, True), (Eager, False)])
def test_rule_10_the_end_of_a_fault_moves_nothing(kind: type[Controller], safe: bool) -> None:
    """The crane gripped where no box is and stopped. The person who resets the fault has a hand in the
    machine: nothing may move by itself.
    """
    terminal, hand = crane(kind)
    hand.ready(10)
    hand.job("transfer", 11, **BACK)
    hand.wait_for(11, "failed")
    terminal.run_for(3)
    starts = terminal.machines["north"].starts
    hand.send("reset-fault", id=12, boot=1, faults=1)
    hand.wait_for(12, "done")
    terminal.run_for(10)
    assert (terminal.machines["north"].starts == starts) is safe


# ---------------------------------------------------------------- rule 12: the boot counter
@pytest.mark.parametrize("safe", [True, False])
def test_rule_12_an_erased_boot_counter_starts_from_chance(safe: bool, tmp_path: Path) -> None:
    """The chip was erased while an order of its first life was on its way. Started from 1 again, the crane
    takes that order for one of this life.
    """
    rng = Random(12)
    terminal, hand = crane(Controller)
    hand.ready(10)
    hand.job("transfer", 500, after_ms=12_000, **THERE)
    terminal.run_for(1)
    terminal.bus.detach("north", graceful=False)
    boot, lost = next_boot(tmp_path / "erased", (lambda: rng.getrandbits(16)) if safe else (lambda: 1))
    assert lost
    terminal.start("north", boot)
    hand.ready(11, boot=boot)
    terminal.run_for(20)
    assert stands_at(terminal, 0) is safe
