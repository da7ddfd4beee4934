"""The yard of the demo: reference nodes, a mock supervisor and a recorder, each a client of one broker."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from conformance.bench.brokers.broker import Broker
from conformance.commands.demo.boards.board import Board
from conformance.recordings.record.recorder import Recorder
from protocol.recording import Header
from protocol.site import Site
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.machines.world import World
from reference_node.node import node_on_the_wire
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.supervisor import Supervisor

BOX, TRAIN, BERTH, SHUTTLE = "C-101", "T-7", "siding", "ferry"
CONTENTS = {"stack-n": ("C-100", BOX, "C-102", ""), "stack-s": ("", ""), "ferry": ("",)}
"""What stands where at the start; invented, as all of harlow-basin is."""

GOALS: tuple[Goal, ...] = (GoalState(visits=(Visit(TRAIN, BERTH, ("", "", ""), {0: BOX}),)),)
BoardOf = Callable[[Endpoint, World, random.Random], Board]
"""Makes the board of a node: on which broker, in which world, with which chance."""
STARTS_AT = "quay-n"
"""Where the simulated shuttle really stands."""


@dataclass(slots=True)
class DemoYard:
    """A yard at work. `said` are the questions that the demo answered in a person's place."""

    supervisor: Supervisor
    recorder: Recorder
    world: World
    hosts: list[MqttHost | Board]
    said: list[str]

    def check(self) -> None:
        """Raise what ended one of the threads, if anything did."""
        for host in self.hosts:
            if host.failure is not None:
                raise host.failure


@contextmanager
def demo_yard(
    site: Site,
    broker: Broker,
    recording: Path,
    header: Header,
    seed: int,
    boards: Mapping[str, BoardOf] | None = None,
) -> Iterator[DemoYard]:
    """Start everything, and leave no thread and no open file behind. Raises Trouble, OSError.

    `seed` is for the simulated machines; boots, tokens and claims come from the operating system. `boards` play nodes
    in place of the reference nodes.
    """
    rng, chance = random.Random(seed), random.SystemRandom()
    endpoint = Endpoint(
        broker.host, broker.port, broker.address.user, broker.address.password, broker.address.tls_context()
    )
    boxes = {(place, slot): box for place, row in CONTENTS.items() for slot, box in enumerate(row) if box}
    world = World(site, boxes)
    said: list[str] = []
    with ExitStack() as stack:
        file = stack.enter_context(recording.open("wb", buffering=0))
        recorder = Recorder(file, header, on_trouble=lambda _: None)
        stack.callback(lambda: recorder.close(monotonic_ms()))
        supervisor = Supervisor(
            site,
            site.with_role("supervisor")[0].name,
            boot=chance.getrandbits(16),
            rng=chance,
            started_ms=monotonic_ms(),
            goals=GOALS,
            contents=CONTENTS,
            on_question=lambda question: _answer(said, question),
        )
        yard = DemoYard(supervisor, recorder, world, [], said)
        ears, brain = MqttHost.at(endpoint, recorder), MqttHost.at(endpoint, supervisor)
        machines: list[MqttHost | Board] = []
        for node in site.nodes.values():
            if node.is_supervisor:
                continue
            own = random.Random(rng.getrandbits(32))
            if boards and node.name in boards:
                machines.append(boards[node.name](endpoint, world, own))
            else:
                boot = chance.getrandbits(16)
                made = node_on_the_wire(
                    site, node.name, endpoint, boot=boot, bench=False, world=world, rng=own
                )
                machines.append(made)
        for host in (ears, *machines, brain):
            host.start()
            # The recorder is stopped last, so that it hears everybody leave.
            stack.callback(host.stop)
            yard.hosts.append(host)
        yield yard


def _answer(said: list[str], question: Question) -> None:
    """Answer as a person who looked would; the simulated yard stands as these answers say."""
    if question.about is Ask.SHUTTLE:
        question.answer(STARTS_AT)
        said.append(f"{question.text} '{STARTS_AT}'")
    elif question.about is Ask.TRACK:
        question.answer()
        said.append(f"{question.text} 'it is empty'")
    elif question.about is Ask.SLOTS:
        stands = CONTENTS.get(question.place, ("",))
        question.answer(*stands)
        said.append(f"{question.text} '{' '.join(box or '-' for box in stands)}'")
