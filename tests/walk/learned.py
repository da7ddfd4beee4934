"""A node as a system under learning: letters in, what it shows out. It knows nothing of the derived machine."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from aalpy.automata import MealyMachine
from aalpy.base import SUL
from aalpy.learning_algs import run_KV
from aalpy.oracles import StatePrefixEqOracle

from conformance.suite.fixture import Fixture
from conformance.suite.walk.desk import Desk, Outcome
from conformance.suite.walk.letters import Letter
from conformance.suite.walk.machine import Machine
from conformance.suite.walk.seen import Seen, Step
from conformance.tester.walk.player import Player
from protocol.site import Site
from protocol.site_file import scenario
from protocol.specification import OPEN
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of

NOT_HERE = "-"
"""What is shown where a letter means nothing: a repeat before the first job."""


def slow_site() -> Site:
    """A site whose cranes take minutes for what they do: nothing ends by itself while it is being asked."""
    site = scenario()
    nodes = {}
    for name, node in site.nodes.items():
        crane = node.crane
        if crane is not None:
            axes = tuple(replace(axis, speed=1, park=axis.most // 2) for axis in crane.axes)
            node = replace(node, crane=replace(crane, axes=axes, job_timeout_ms=3_000_000))
        nodes[name] = node
    return replace(site, nodes=nodes)


class NodeUnderLearning(SUL):  # type: ignore[misc]
    """The reference node, or one of its kin; each query is a new life."""

    def __init__(
        self, site: Site, node: str, letters: Mapping[str, Letter], kind: type[Controller] = Controller
    ) -> None:
        super().__init__()
        self._site, self._node, self._letters, self._kind = site, node, letters, kind

    def pre(self) -> None:
        """A new node, which has just been claimed."""
        fixture = run_of(self._node, controller=self._kind, site=self._site).fixture
        fixture.bench.wait(
            lambda: fixture.log.hears(fixture.topic()) and fixture.log.latest("node-status") is not None, 5000
        )
        fixture.claim()
        self._player = Player(fixture)

    def post(self) -> None:
        """Nothing is left of it."""

    def step(self, letter: str) -> str:
        """What it shows of that letter."""
        player, meant = self._player, self._letters[letter]
        if not meant.applies(as_desk(player)):
            return NOT_HERE
        return shown(player.play(meant))


def as_desk(player: Player) -> Desk:
    """What is seen of a node, as far as a letter asks whether it means anything."""
    seen = player.seen
    act = player.job.act if player.job is not None and seen.job_state in OPEN else ""
    return Desk(seen.machines, seen.job_state or "none", act, held=seen.held, load=seen.load)


def shown(step: Step) -> str:
    """All that a letter showed, without its numbers."""
    before, after = step.before, step.after
    said = " ".join(step.said.reports[0]).strip() if step.said.reports and step.letter.order else "no report"
    mark = (
        "raised"
        if after.mark == step.said.id != before.mark
        else "same"
        if after.mark == before.mark
        else "other"
    )
    if step.letter.kind == "play":
        mark = "played"
    return _told(
        said, mark, after.holds - before.holds, after.faults - before.faults, after.job != before.job, after
    )


def _told(said: str, mark: str, holds: int, faults: int, new: bool, after: Seen) -> str:
    job = ("new " if new else "") + (after.job_state or "none")
    return f"{said}; mark {mark}; +{holds} +{faults}; job {job}; {' '.join(after.machines)} {after.load} {after.held}"


def due(letter: Letter, outcome: Outcome, desk: Desk) -> str:
    """The same of what must follow, by the derived machine."""
    said = "no report"
    if outcome.said is not None and letter.order is not None:
        state, reason = outcome.said
        said = f"{state} {reason or _reason(desk, state, letter)}".strip()
    mark = "played" if letter.kind == "play" else "raised" if outcome.raised else "same"
    after = outcome.next
    job = ("new " if outcome.begun else "") + after.job
    machines = " ".join(after.machines)
    return f"{said}; mark {mark}; +{outcome.holds} +{outcome.faults}; job {job}; {machines} {after.load} {after.held}"


def _reason(desk: Desk, state: str, letter: Letter) -> str:
    """A job that failed says why, whenever it is asked for; the derived machine leaves open which reason."""
    told = letter.name in ("repeat", "repeat-changed", "cancel", "cancel-own-id")
    return "fault" if told and state == "failed" == desk.job else ""


def learn(sul: NodeUnderLearning, letters: Sequence[str], *, walks: int, longest: int) -> MealyMachine:
    """The machine that the node is, by the algorithm of Kearns and Vazirani."""
    random.seed(7)  # AALpy's own generator is Python's.
    oracle = StatePrefixEqOracle(
        list(letters), sul, walks_per_state=walks, walk_len=longest, depth_first=True
    )
    return run_KV(list(letters), sul, oracle, automaton_type="mealy", print_level=0)


def compare(machine: Machine, learned: MealyMachine, letters: Sequence[str]) -> tuple[int, list[str]]:
    """How many states of the two were met together, and every difference on the way: a bisimulation from the first."""
    pairs: list[tuple[Desk, Any]] = [(machine.first, learned.initial_state)]
    met = set(pairs)
    found: list[str] = []
    for desk, state in pairs:
        for name in letters:
            edge = machine.edges[desk].get(name)
            wanted = NOT_HERE if edge is None else due(machine.letters[name], edge[0], desk)
            seen = state.output_fun[name]
            if wanted != seen:
                found.append(f"{desk}: {name}: derived {wanted!r}, learned {seen!r}")
            after = (desk if edge is None else edge[0].next, state.transitions[name])
            if after not in met:
                met.add(after)
                pairs.append(after)
    return len({state.state_id for _, state in pairs}), found


def fixture_of(node: str) -> Fixture:
    """A fixture over the reference node that has been heard."""
    return run_of(node).fixture
