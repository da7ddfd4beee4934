"""A scenario on virtual time: an hour of traffic in seconds, the same from the same seed."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import ClassVar

from protocol.participant import Publication
from protocol.site import Site
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from reference_node.machines.imperfect import planted_tracks
from reference_node.scenario.invariant_monitor import InvariantMonitor
from reference_node.scenario.person import SimulatedPerson
from reference_node.scenario.scenario import Event, Scenario
from reference_node.scenario.simulated_yard import SimulatedYard
from reference_node.scenario.story import Outcome, Story
from reference_node.supervisor.plan.goal_state import GoalState
from reference_node.supervisor.questions.question import Question
from reference_node.supervisor.send.messages import hold_for
from reference_node.supervisor.supervisor import Supervisor

LOOK_MS = 50
COMPARE_EVERY = 10
ANSWER_AGAIN_MS = 1_000
AFTERWARDS_MS = 3_000
NODES_FIRST_MS = 1_000
"""So long before the supervisor the nodes are on: what is told at its start is told of what stands still."""


def play(scenario: Scenario, site: Site) -> Outcome:
    """Play a scenario to its end."""
    stage = VirtualStage(scenario, site)
    stage.run()
    return stage.outcome()


class VirtualStage:
    """The whole yard on a virtual bus."""

    bus_class: ClassVar[type[VirtualBus]] = VirtualBus

    def __init__(self, scenario: Scenario, site: Site, kind: type[Supervisor] = Supervisor) -> None:
        """`kind` is the supervisor under test."""
        self.scenario, self.site, self._kind = scenario, site, kind
        self.time = VirtualTime()
        rng = Random(scenario.seed)
        self._rng = rng
        self.bus = self.bus_class(self.time, Random(rng.random()), loss=scenario.loss, repeat=scenario.repeat)
        self.yard = SimulatedYard(
            site, scenario.contents, [*scenario.trains], Random(rng.random()), 0,
            imperfect=planted_tracks(site, scenario.imperfect, scenario.seed),
        )  # fmt: skip
        self.watch = InvariantMonitor(self.yard)
        self._person = SimulatedPerson(scenario, self.yard)
        self._twice_until_ms = 0
        self._looks = 0
        self.story = Story(scenario, self, 0)
        self.goals: tuple[GoalState, ...] = scenario.goal_states(0)
        """What a supervisor that starts is to bring about."""
        for name in self.yard.machines:
            self.bus.attach(self.yard.controller(name, 0))
        self.name = site.with_role("supervisor")[0].name
        if scenario.known:
            self.time.run_until(NODES_FIRST_MS)
        self._supervise(boot=rng.getrandbits(16), been={})
        self.bus.intercept = self._intercept

    @property
    def now_ms(self) -> int:
        """Virtual time."""
        return self.time.now_ms

    def run(self) -> None:
        """Let time pass until all goals are met, or the scenario's time is over, and a little longer."""
        self.begin()
        self.time.run_until_true(lambda: self.story.is_over, self.scenario.within_ms)
        if self.story.is_over:
            self.time.run_until(self.time.now_ms + AFTERWARDS_MS)
        self.watch.compare(self.story.supervisor)

    def begin(self) -> None:
        """Look at the yard from now on, twenty times a second."""
        self._look()

    def outcome(self) -> Outcome:
        """How it ended."""
        return self.story.outcome(self.yard, self.watch.breaches)

    def _look(self) -> None:
        self.watch.look()
        self.story.go_on()
        self._looks += 1
        if self._looks % COMPARE_EVERY == 0:
            self.watch.compare(self.story.supervisor)
        self.time.call_in(LOOK_MS, self._look)

    def _supervise(self, boot: int, been: dict[str, Sequence[str]]) -> None:
        known = self.scenario.known and not self._looks
        supervisor = self._kind(
            self.site, self.name, boot=boot, rng=Random(self._rng.random()), started_ms=self.now_ms,
            goals=self.goals, on_question=self._asked, been=been,
            contents=self.scenario.told(self.site) if known else None,
        )  # fmt: skip
        self.story.lives(supervisor)
        self.bus.attach(supervisor)

    # ------------------------------------------------------------ the person
    def _asked(self, question: Question) -> None:
        self.story.is_asked(question)
        if self.scenario.person.answers:
            self.time.call_in(self.scenario.person.walk_ms, lambda: self._settle(question))

    def _settle(self, question: Question) -> None:
        if question not in self.story.supervisor.questions:
            return  # settled meanwhile, or asked by a supervisor that is gone
        try:
            self._person.settle(question)
        except ValueError as error:
            self.story.tell(f"answer not taken: {error}")
            self.time.call_in(ANSWER_AGAIN_MS, lambda: self._settle(question))
        else:
            self.story.tell(f"answered: {', '.join(map(repr, question.found or ())) or 'done'}")

    # ------------------------------------------------------------ events
    def happen(self, event: Event) -> None:
        """Make `event` happen now."""
        nodes = [*self.yard.machines, self.name] if event.node == "all" else [event.node]
        match event.do:
            case "reboot":
                self._reboot(event.node)
            case "supervisor-restarts":
                self._restart()
            case "network-gone":
                for node in nodes:
                    self.bus.cut(node, event.for_ms)
            case "link-breaks":
                for node in nodes:
                    self.bus.sever(node)
            case "orders-twice":
                self._twice_until_ms = self.now_ms + event.for_ms
            case "hold":
                for node in self.yard.machines if event.node == "all" else nodes:
                    self.bus.publish(hold_for(self.site, node, self.site.nodes[node].reads))
            case _:
                self.yard.meddle(event, self.time.call_in)

    def _reboot(self, node: str) -> None:
        if node == self.name:
            self._restart()
            return
        self.bus.detach(node, graceful=False)
        self.bus.attach(self.yard.controller(node, self.now_ms))

    def _restart(self) -> None:
        before = self.story.supervisor
        self.bus.detach(self.name, graceful=False)
        been = {berth: list(trains) for berth, trains in before.execution.been.items()}
        self._supervise((before.boot + 1) % 65_536, dict(been))

    def _intercept(
        self, sender: str, receiver: str, publication: Publication
    ) -> list[tuple[int, Publication]] | None:
        """While orders are sent twice, the second copy comes a moment later."""
        order = publication.topic.rpartition("/")[2] == "job-order" and sender == self.name
        if not order or self.now_ms >= self._twice_until_ms or receiver not in self.yard.machines:
            return None
        return [(1, publication), (40, publication)]
