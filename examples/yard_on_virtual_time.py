"""harlow-basin on virtual time, recorded: a minute and a half of a yard in a second, the same for every seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from random import Random

from conformance.recordings.record.recorder import Recorder
from protocol.recording import Header
from protocol.site import Site
from protocol.site_file import scenario
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from reference_node.supervisor.plan.goals import Admit, Depart, Goal, Move, Together
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.supervisor import Supervisor

NODES = ("north", "south", "siding", "ferry")
BOXES = {("stack-n", 0): "C-100", ("stack-n", 1): "C-101", ("stack-n", 2): "C-102"}
GOALS: tuple[Goal, ...] = (
    Together((Admit("siding", "T-7", ("", "", "")), Move("C-101", "siding", 0))),
    Move("C-102", "siding", 1),
    Depart("siding"),
)
WALK_MS = 3_000
"""How long a person takes to look and answer."""
LONGEST_MS = 150_000
AFTERWARDS_MS = 3_000
STARTED = "2026-05-02T10:00:00+00:00"
"""What the wall clock of a virtual yard shows."""


@dataclass(frozen=True, slots=True)
class Began:
    """When a fault began to matter: in ms of the recording, and before which of its messages."""

    at_ms: int
    number: int
    what: str


@dataclass(slots=True)
class Yard:
    """Everything in the yard, and `log`: what its simulator knows went wrong, and when."""

    site: Site
    time: VirtualTime
    bus: VirtualBus
    world: World
    rng: Random
    recorder: Recorder
    machines: dict[str, Machines] = field(default_factory=dict)
    controllers: dict[str, Controller] = field(default_factory=dict)
    supervisor: Supervisor | None = None
    log: list[Began] = field(default_factory=list)

    def begins(self, what: str) -> None:
        """A fault takes effect now."""
        at_ms = self.time.now_ms - (self.recorder.began_ms or 0)
        self.log.append(Began(at_ms, len(self.bus.log) + 1, what))

    def start(self, name: str, boot: int) -> None:
        """Switch a node on; its machines stand where they stood."""
        self.controllers[name] = Controller(
            self.site, name, boot=boot, bench=False, machines=self.machines[name], rng=self.rng,
            started_ms=self.time.now_ms,
        )  # fmt: skip
        self.bus.attach(self.controllers[name])

    def reset(self, name: str) -> None:
        """Power goes and comes back at once."""
        self.bus.detach(name, graceful=False)
        self.start(name, (self.controllers[name].boot + 1) % 65536)

    def when(self, condition: Callable[[], bool], do: Callable[[], object]) -> None:
        """Do something as soon as a condition holds; looked at every 5 ms."""
        if condition():
            do()
        else:
            self.time.call_in(5, lambda: self.when(condition, do))

    def person(self, question: Question) -> None:
        """Walk there, look, and say what is there."""
        self.time.call_in(WALK_MS, lambda: self._answer(question))

    def _answer(self, question: Question) -> None:
        if self.supervisor is None or question not in self.supervisor.questions:
            return  # Settled meanwhile.
        match question.about:
            case Ask.SHUTTLE:
                question.answer(self._shuttle_stands_at(question.node))
            case Ask.SPREADER:
                crane = self.machines[question.node].crane
                question.answer((crane.spreader.holds if crane else None) or "")
            case Ask.SLOTS:
                slots = range(self.site.places[question.place].slots)
                question.answer(*(self.world.boxes.get((question.place, slot), "") for slot in slots))
            case _:
                question.answer()

    def _shuttle_stands_at(self, name: str) -> str:
        shuttle = self.machines[name].shuttle
        assert shuttle is not None
        stops = shuttle.car.line.stops
        return min(stops, key=lambda stop: abs(shuttle.car.true_position - stops[stop]))


Fault = Callable[[Yard], None]
"""Called when all is set up and nothing has started: plants one fault."""


def run(
    path: Path,
    seed: int,
    fault: Fault | None = None,
    *,
    goals: tuple[Goal, ...] = GOALS,
    supervisor: type[Supervisor] = Supervisor,
    boxes: Mapping[tuple[str, int], str] = BOXES,
    loss: float = 0.0,
) -> Yard:
    """Record one run of the yard to `path`, written over if it is there; gives the yard as it ended."""
    site = scenario()
    time = VirtualTime()
    rng = Random(seed)
    bus = VirtualBus(time, Random(rng.random()), loss=loss)
    with path.open("wb", buffering=0) as file:
        recorder = Recorder(file, Header(site.name, STARTED, "virtual", version("yardwire")), lambda _: None)
        yard = Yard(site, time, bus, World(site, boxes), rng, recorder)
        bus.attach(recorder)
        time.run_until(20)
        for name in NODES:
            yard.machines[name] = Machines(site.nodes[name], yard.world, rng, now_ms=time.now_ms)
            yard.start(name, rng.getrandbits(16))
        yard.supervisor = supervisor(
            site, "yard", boot=rng.getrandbits(16), rng=Random(rng.random()), goals=goals,
            on_question=yard.person, started_ms=time.now_ms,
        )  # fmt: skip
        yard.bus.attach(yard.supervisor)
        if fault is not None:
            fault(yard)
        ended = yard.supervisor
        time.run_until_true(lambda: ended.finished, LONGEST_MS - time.now_ms)
        time.run_until(time.now_ms + AFTERWARDS_MS)
        recorder.close(time.now_ms)
    return yard
