"""The walk leads every legal node through all of its machine, and finds a fault in the context that it lives in."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.suite.verdict import Verdict
from conformance.tester.walk.walk import Walk
from protocol.site_file import scenario
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of, with_sensors
from tests.legal_nodes.first_minor import FirstMinor
from tests.sample import sampled
from tests.walk.context_faults import FAULTS, ContextFault
from tests.walk.walking import walk

NODES = ("north", "south", "siding", "ferry")
KINDS = [(node, kind) for node in NODES for kind in ("reference", "first-minor")]
LEGAL = {"reference": Controller, "first-minor": FirstMinor}


@pytest.mark.parametrize(
    "one", sampled(KINDS, [("north", "reference"), ("siding", "first-minor"), ("ferry", "reference")])
)
def test_a_legal_node_is_led_through_all_of_its_machine(one: tuple[str, str]) -> None:
    node, kind = one
    result, walked = walk(node, LEGAL[kind])
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    assert walked.walked + walked.once == walked.size > 350
    assert len(walked.trail) >= walked.size - walked.once
    assert walked.missed == walked.dropped == []


@pytest.mark.exhaustive
@pytest.mark.parametrize("node", ["siding", "ferry"])
def test_pairs_of_transitions_too(node: str) -> None:
    result, walked = walk(node, k=2)
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    assert walked.walked + walked.once == walked.size > 10_000


@pytest.mark.exhaustive
def test_seeds_walk_another_way_to_the_same_end() -> None:
    ways = [walk("ferry", seed=seed)[1] for seed in (1, 2)]
    assert [way.walked for way in ways] == [445, 445]
    assert ways[0].trail != ways[1].trail


@pytest.mark.exhaustive
def test_a_crane_without_load_sensor() -> None:
    result, walked = walk("north", site=with_sensors(scenario(), load_sensor=False))
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    assert walked.walked > 500


def test_messages_that_get_lost_are_no_fault() -> None:
    result, walked = walk("ferry", loss=0.2)
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    assert walked.walked == walked.size


def test_a_node_in_doubt_is_walked_without_motion() -> None:
    """By another digest it may be the right one with last month's tables in it."""

    class SaysAnotherDigest(Controller):
        def node_status(self) -> dict[str, Any]:
            return super().node_status() | {"digest": 1}

    result, walked = walk("ferry", SaysAnotherDigest)
    assert (result.verdict, walked.motion, walked.jobs) == (Verdict.PASS, False, 0)


@pytest.mark.parametrize("node", NODES)
def test_without_motion_no_motor_is_switched_on(node: str) -> None:
    result, walked = walk(node, motion=False)
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    assert walked.walked == walked.size == 96
    assert walked.jobs == 0
    assert not any(letter.moves for letter in walked.machine.letters.values())


class FeelsNoPower(Controller):
    """A node that does not notice the loss of motor power has not to say so."""

    def _feel_power(self, present: bool) -> None:
        return


def test_a_node_that_does_not_notice_a_loss_of_power_is_walked_without_it() -> None:
    result, walked = walk("ferry", FeelsNoPower)
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    assert walked.dropped == ["a loss of motor power: the node does not notice it"]


@pytest.mark.parametrize(
    "fault",
    sampled(
        FAULTS.values(),
        [FAULTS[name] for name in ("LosesItsHoldAtAReconnect", "OverlooksAHoldForAllInItsSecondJob")],
    ),
)
def test_a_fault_that_lives_in_a_context_is_found(fault: ContextFault) -> None:
    result, walked = walk(fault.node, fault.controller)
    assert result.verdict is Verdict.FAIL
    assert result.evidence is not None
    assert result.evidence.requirement == fault.requirement
    assert walked.from_start
    assert 0 < len(walked.shortest) <= 16
    assert len(walked.shortest) <= len(walked.trail)


def test_there_are_enough_of_them_of_every_role() -> None:
    assert len(FAULTS) >= 22
    assert {fault.node for fault in FAULTS.values()} == {"north", "siding", "ferry"}


@pytest.mark.exhaustive
def test_a_crane_taken_by_hand_is_walked_where_somebody_can_do_that() -> None:
    fixture = run_of("north").fixture
    bench = fixture.bench
    assert isinstance(bench, VirtualBench)
    bench.wait(
        lambda: fixture.log.hears(fixture.topic()) and fixture.log.latest("node-status") is not None, 5000
    )
    node: Any = bench._node

    def hand(there: bool) -> None:
        node.player.add([["by-hand", there, 0]], bench.now_ms)

    walked = Walk(fixture, hand=hand).run()
    assert walked.broken is None
    assert walked.missed == []
    manual = {desk for desk, _ in walked.transitions if "manual" in desk.machines}
    assert len(manual) >= 10
    assert len({desk for desk, _ in walked.transitions}) > 70
