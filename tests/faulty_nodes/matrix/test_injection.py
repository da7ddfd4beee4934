"""The injection: without a breach it is the shipped node; a breach shows in its context and nowhere else."""

from __future__ import annotations

import itertools
import random

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.suite.fixture import Fixture
from conformance.tester.runner import Run
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import firmware
from tests.faulty_nodes.matrix.breaches.firmware import FIRMWARE
from tests.faulty_nodes.matrix.every import BREACHES
from tests.faulty_nodes.matrix.history import CONTEXTS
from tests.faulty_nodes.matrix.judge import judge
from tests.faulty_nodes.matrix.plan import HISTORY, STATE, WORDS, crossed, from_pages, planned
from tests.faulty_nodes.matrix.planted import SITE, Planted, bench_of, run
from tests.matrix.outcome import CAUGHT, EQUIVALENT, SURVIVED, UNVISITED


def test_without_a_breach_the_kit_sees_what_it_sees_of_the_shipped_node() -> None:
    whole, _ = run(None, "ferry", 1)
    injected = {id_: (one.verdict, one.judged) for id_, one in whole.perform().items()}
    machines = Machines(SITE.nodes["ferry"], World(SITE, alone=True), random.Random(1))
    start = firmware(Controller, SITE, "ferry", bench=True, machines=machines)
    bench = VirtualBench(lambda boot, now_ms: start(boot, now_ms, "power-on"), random.Random(2))
    shipped = Run(Fixture(bench, SITE, "ferry", random.Random(1))).perform()
    assert injected == {id_: (one.verdict, one.judged) for id_, one in shipped.items()}


@pytest.mark.parametrize(
    ("breach", "requirement", "when", "state"),
    [
        ("mark-behind", "MSG-11", ("always",), CAUGHT),
        ("mark-behind", "MSG-11", ("idle", "moving"), EQUIVALENT),
        ("cbor-long-integer", "ENC-02", ("always",), EQUIVALENT),  # It writes JSON.
        ("mark-behind", "MSG-11", ("held", "wrap", "bad", "reset", "link-2"), UNVISITED),
    ],
)
def test_what_becomes_of_a_breach(breach: str, requirement: str, when: tuple[str, ...], state: str) -> None:
    assert judge(Planted(breach, requirement, "", "ferry", when), (1,)).state in (
        (UNVISITED, CAUGHT, SURVIVED) if state == UNVISITED else (state,)
    )


def test_a_state_that_cannot_be_read_is_no_error_of_the_kit() -> None:
    """A case that needs a field of it shows nothing; what is wrong with the bytes is judged where they are."""
    planted = next(one for one in planned() if one.id == "tail-behind-payload@north/moving")
    assert judge(planted, (1,)).state == CAUGHT


def test_a_breach_shows_in_its_context_only() -> None:
    planted = Planted("holds-behind", "HLD-01", "", "ferry", ("held",))
    bench, _ = bench_of(planted, "ferry", 1)
    fixture = Fixture(bench, SITE, "ferry", random.Random(1))
    fixture.bench.wait(lambda: False, 3000)
    fixture.send({"act": "hold"})
    fixture.bench.wait(lambda: False, 3000)
    fixture.order("resume", holds=1)
    fixture.bench.wait(lambda: False, 3000)
    said = [one.body for one in bench.log.messages if one.name == "shuttle-status"]
    assert {(body["held"], body["holds"]) for body in said} == {(False, 0), (True, 0), (False, 1)}


def test_there_are_enough_and_each_can_be_planted() -> None:
    every = planned()
    assert len(every) >= 1000
    assert len(list(from_pages())) * 3 >= len(every)
    for one in every:
        assert one.breach in BREACHES
        assert one.requirement in specification().requirements
        assert set(one.when) <= set(CONTEXTS)
        assert one.node in SITE.nodes


def test_the_array_covers_every_pair_that_may_be() -> None:
    """Counted here with no help of the library: NIST SP 800-142, section 2.1, t-way coverage for t = 2."""
    rows = [one for one in crossed() if len(one.when) <= 2]
    wanted = set(itertools.product(FIRMWARE, {*HISTORY, *STATE, *WORDS} - {"any"}))
    covered = {(one.breach, context) for one in rows for context in one.when}
    only_at_the_berth = {name for name, kind in FIRMWARE.items() if kind.nodes == ("siding",)}
    assert wanted - covered == {(name, "json") for name in only_at_the_berth}  # It reads CBOR only.
    nodes = {(name, node) for name, kind in FIRMWARE.items() for node in kind.nodes}
    assert {(one.breach, one.node) for one in rows} == nodes
    groups = (HISTORY, STATE, WORDS)
    pairs = {
        frozenset(pair)
        for first, second in itertools.combinations(groups, 2)
        for pair in itertools.product(first[1:], second[1:])
    }
    assert pairs <= {frozenset(one.when) for one in rows}
