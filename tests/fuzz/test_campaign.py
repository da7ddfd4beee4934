"""The campaign: sound nodes stay clean, the same seed repeats a run, boards of any speed are used well."""

from __future__ import annotations

from random import Random

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.fuzz.run.pace import LARGEST, Pace
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import IdsUsedUp
from protocol.participant import Participant
from protocol.site_file import scenario
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import Board
from tests.faulty_nodes.bugs.campaign import campaign
from tests.faulty_nodes.bugs.catalogue import BUGS
from tests.sample import sampled

SITE = scenario()


@pytest.mark.slow
@pytest.mark.parametrize("seed", sampled([11, 12], [11]))
@pytest.mark.parametrize("node", ["siding", "ferry", "north", "south"])
def test_sound_nodes_stay_clean(node: str, seed: int) -> None:
    boards: list[Board] = []
    run = campaign(node, seed=seed, boards=boards)
    run.run(lambda: run.cases < 1000)
    assert [(str(found.finding), found.says) for found in run.found.values()] == []
    assert len(boards) == 1
    assert boards[0].crashes == []


@pytest.mark.parametrize("bench", [True, False])
def test_a_run_without_motion_never_switches_a_motor_on(bench: bool) -> None:
    run = campaign("ferry", seed=5, bench=bench, motion=False)
    run.run(lambda: run.cases < 600)
    assert not run.found
    starts = {m.body["starts"] for m in run.trial.fixture.log.sent("node-status") if "starts" in m.body}
    assert starts <= {0}


@pytest.mark.slow
def test_the_same_seed_repeats_the_run() -> None:
    def played(seed: int) -> list[bytes]:
        run = campaign("north", seed=seed)
        run.run(lambda: run.cases < 150)
        return [m.payload for m in run.trial.fixture.log.messages if not m.from_node]

    assert played(3) == played(3)
    assert played(3) != played(4)


def test_what_is_drawn_does_not_depend_on_the_size_of_batches() -> None:
    one, other = (campaign("ferry", seed=2).case_order for _ in range(2))
    few = [case for _ in range(5) for case in one.batch(3)]
    assert few == other.batch(15)


# ---------------------------------------------------------------- the corpus and its groups
def test_a_corpus_is_played_first() -> None:
    bug = BUGS["CountsAHoldOnce"]
    first = campaign(bug.node, bug.controller, seed=1)
    first.run(lambda: not first.found)
    (found,) = first.found.values()
    again = campaign(bug.node, bug.controller, seed=99)
    again.run(lambda: again.cases < 1, [found.steps])
    assert list(again.found) == list(first.found)
    assert (again.cases, again.showed) == (1, [True])
    sound = campaign(bug.node, seed=99)
    sound.run(lambda: sound.cases < 1, [found.steps])
    assert (sound.found, sound.showed) == ({}, [False])


def test_the_same_finding_is_one_group() -> None:
    bug = BUGS["StartsAHeldJobAtOnce"]
    run = campaign(bug.node, bug.controller, seed=1)
    run.run(lambda: run.cases < 300)
    assert sum(found.times for found in run.found.values()) > len(run.found)
    assert len(run.found) <= 4


# ---------------------------------------------------------------- pace
def slow_board(latency_ms: int) -> Campaign:
    """A node whose every order and answer takes its time, one after the other."""

    def make(boot: int, now_ms: int) -> Participant:
        machines = Machines(SITE.nodes["siding"], World(SITE, alone=True), Random(1), now_ms=now_ms)
        return Controller(
            SITE, "siding", boot=boot, bench=True, machines=machines, rng=Random(boot), started_ms=now_ms
        )

    bench = VirtualBench(make, Random(1), latency_ms=(latency_ms, latency_ms))
    fixture = Fixture(bench, SITE, "siding", Random(1))
    return Campaign(fixture, link_of(bench, "siding"), Options(rate=0, kinds=("payloads",)))


@pytest.mark.parametrize(("answer_ms", "least"), [(5, 500), (500, 8)])
def test_fast_and_slow_boards_are_both_used_well(answer_ms: int, least: float) -> None:
    """One exchange at a time would give 200 and 2 cases a second, half of them spent on the proof of life."""
    run = slow_board(answer_ms // 2)
    run.run(lambda: run.cases < 400)
    assert not run.found
    assert run.cases / run.seconds >= least


def test_a_board_that_needs_half_a_second_an_order_gets_few_at_a_time() -> None:
    pace = Pace(2000)
    for _ in range(10):
        pace.took(4, 2000)
    assert pace.size == 6
    assert pace.patience_ms >= 6 * 500
    for _ in range(40):
        pace.took(10, 50)
    assert pace.size == LARGEST


def test_a_node_whose_ids_are_used_up_is_started_afresh() -> None:
    """An order with the highest id raises the mark to it; a run of hours then ended with a traceback."""
    trial = campaign("siding", seed=5).trial
    fixture = trial.fixture
    trial.warm_up()
    before = fixture.boot
    fixture.report(fixture.send({"act": "claim", "boot": before, "id": 2**32 - 1}))
    with pytest.raises(IdsUsedUp, match="restart the node"):
        fixture.claim()
    fixture.send({"act": "hold"})  # What has to be lifted by an order with an id.
    trial.make_fit()
    assert fixture.boot != before
    assert fixture.claim().body["state"] == "done"
