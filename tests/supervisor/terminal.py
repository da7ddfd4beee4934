"""The whole of harlow-basin on virtual time: reference nodes, simulated machines, what is really so."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import Any

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding, Site
from protocol.site_file import scenario
from protocol.topics import Topic, parse_topic
from protocol.validation import read_message
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.siding import OFF_STAGE
from reference_node.machines.world import World as Truth
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.supervisor import Supervisor

NODES = ("north", "south", "siding", "ferry")
BOXES = {("stack-n", 0): "B1", ("stack-n", 1): "B2", ("stack-n", 2): "B3"}
EMPTY_TRAIN = ("", "", "")


class Terminal:
    """A bus, the nodes that a test wants, and what really stands where."""

    def __init__(
        self,
        *,
        nodes: Sequence[str] = NODES,
        boxes: Mapping[tuple[str, int], str] | None = None,
        site: Site | None = None,
        kinds: Mapping[str, type[Controller]] | None = None,
        seed: int = 1,
        loss: float = 0.0,
        repeat: float = 0.0,
    ) -> None:
        self.site = site or scenario()
        self.time = VirtualTime()
        self.bus = VirtualBus(self.time, Random(seed), loss=loss, repeat=repeat)
        self.truth = Truth(self.site, BOXES if boxes is None else boxes)
        self.rng = Random(seed + 1)
        self.lives = 0
        """Supervisors that were switched on so far."""
        self.kinds = dict(kinds or {})
        self.machines: dict[str, Machines] = {}
        self.controllers: dict[str, Controller] = {}
        for name in nodes:
            self.add(name)

    def add(self, name: str, *, bench: bool = False) -> Controller:
        """A node with its machines, switched on for the first time."""
        now_ms = self.time.now_ms
        self.machines[name] = Machines(self.site.nodes[name], self.truth, self.rng, now_ms=now_ms)
        return self.start(name, boot=1, bench=bench)

    def start(self, name: str, boot: int, *, bench: bool = False) -> Controller:
        """Switch a node on; its machines stand where they stood."""
        controller = self.kinds.get(name, Controller)(
            self.site, name, boot=boot, bench=bench, machines=self.machines[name], rng=self.rng,
            started_ms=self.time.now_ms,
        )  # fmt: skip
        self.controllers[name] = controller
        self.bus.attach(controller)
        return controller

    def reset(self, name: str) -> Controller:
        """Power goes and comes back: another boot, and nothing is remembered."""
        self.bus.detach(name, graceful=False)
        return self.start(name, (self.controllers[name].boot + 1) % 65536)

    def supervise(
        self, kind: type[Supervisor] = Supervisor, *, name: str = "yard", **keywords: Any
    ) -> Supervisor:
        """Switch a supervisor on; by default a person answers it at once, and truly."""
        # Each life draws numbers of its own, as each real one does: tokens tell them apart.
        rng, self.lives = Random(11 + self.lives), self.lives + 1
        usual = {"boot": 1, "rng": rng, "on_question": self.person, "started_ms": self.time.now_ms}
        if keywords.get("contents"):
            self.run_for(1)  # A word is believed only of nodes that have surely been on since before it.
            usual["started_ms"] = self.time.now_ms
        supervisor = kind(self.site, name, **{**usual, **keywords})
        self.bus.attach(supervisor)
        return supervisor

    def person(self, question: Question) -> None:
        """Look, and say what is there."""
        match question.about:
            case Ask.SHUTTLE:
                shuttle = self.machines[question.node].shuttle
                assert shuttle is not None
                shuttle.car.push_to(self.shuttle_stands_at(question.node))
                question.answer(self.shuttle_stands_at(question.node))
            case Ask.SLOTS:
                question.answer(*self.really(question.place))
            case Ask.SPREADER:
                question.answer(self.spreader_holds(question.node) or "")
            case Ask.TRACK:
                self.truth.depart(question.place)  # The person takes the train off, and what stands on it.
                track = self.machines[question.node].track
                assert track is not None
                track.take_off()
                question.answer()
            case _:
                question.answer()

    def shuttle_stands_at(self, name: str) -> str:
        """The stop nearest to the car."""
        shuttle = self.machines[name].shuttle
        assert shuttle is not None
        car = shuttle.car
        return min(car.line.stops, key=lambda stop: abs(car.true_position - car.line.stops[stop]))

    def spreader_holds(self, name: str) -> str | None:
        """The box that really hangs there."""
        crane = self.machines[name].crane
        assert crane is not None
        return crane.spreader.holds

    def really(self, place: str) -> tuple[str, ...]:
        """What really stands in the slots of `place`; nothing on a track whose train has left the stage."""
        track = next((one.track for name, one in self.machines.items() if self._owns(name, place)), None)
        if track is not None and track.track.train.end_at(track.track.now_us) > OFF_STAGE:
            return ("",) * self.site.places[place].slots
        return tuple(self.truth.boxes.get((place, slot), "") for slot in range(self.site.places[place].slots))

    def _owns(self, node: str, place: str) -> bool:
        return self.site.places[place].node == node

    def run_until(self, what: Callable[[], bool], within_s: float = 120) -> None:
        """Let time pass until `what` is so; the test fails if it does not become so in time."""
        happened = self.time.run_until_true(what, int(within_s * 1000))
        assert happened, f"not within {within_s} s"

    def run_for(self, seconds: float) -> None:
        """Let time pass."""
        self.time.run_until(self.time.now_ms + int(seconds * 1000))

    # ------------------------------------------------------------ what was said
    def said(self, node: str, message: str) -> list[dict[str, Any]]:
        """Bodies of every `message` on the topic of `node` that reached the broker."""
        topic = str(Topic(self.site.name, node, message))
        return [
            body for entry in self.bus.log if entry.topic == topic if (body := read(topic, entry.payload))
        ]

    def orders(self, node: str, *acts: str) -> list[dict[str, Any]]:
        """Orders that were sent to `node`, of these acts if any are named."""
        return [body for body in self.said(node, "job-order") if not acts or body["act"] in acts]


class Hand:
    """Somebody who orders one node by hand: whatever order a story needs, at once or after a delay."""

    def __init__(self, terminal: Terminal, node: str) -> None:
        self.terminal, self.node = terminal, node

    def send(self, act: str, *, after_ms: int = 0, **fields: Any) -> None:
        """Put an order on the bus now or later."""
        topic = Topic(self.terminal.site.name, self.node, "job-order")
        reads = self.terminal.site.nodes[self.node].reads
        encoding = Encoding.JSON if reads == "json" else Encoding.CBOR
        payload = encode("job-order", {"act": act, **fields}, encoding)
        publication = Publication(str(topic), payload, 1, retain=False)
        time = self.terminal.time
        time.call_at(time.now_ms + after_ms, lambda: self.terminal.bus.publish(publication, "hand"))

    def job(self, act: str, id_: int, *, boot: int = 1, lead_ms: int = 25_000, **fields: Any) -> None:
        """Order a job with a deadline `lead_ms` from now."""
        deadline = self.terminal.controllers[self.node].uptime + lead_ms
        self.send(act, id=id_, boot=boot, deadline=deadline, **fields)

    def reports(self) -> list[dict[str, Any]]:
        """Every report of the node so far."""
        return self.terminal.said(self.node, "job-report")

    def wait_for(self, id_: int, *states: str, within_s: float = 60) -> dict[str, Any]:
        """The first report of order `id_` in one of `states`."""

        def match() -> list[dict[str, Any]]:
            return [one for one in self.reports() if one.get("id") == id_ and one["state"] in states]

        self.terminal.run_until(lambda: bool(match()), within_s)
        return match()[0]

    def ready(self, id_: int = 1, boot: int = 1) -> None:
        """Home a crane by order `id_`."""
        self.terminal.run_until(lambda: self.terminal.bus.is_up(self.node), 10)
        self.job("home", id_, boot=boot)
        self.wait_for(id_, "done")


def read(topic: str, payload: bytes) -> dict[str, Any] | None:
    """The body of a message, None if it cannot be read."""
    return read_message(parse_topic(topic).message, payload, closed=False).body


def where(truth: Truth, box: str) -> tuple[str, int] | None:
    """The slot where `box` really stands; None in a spreader or gone."""
    return next((slot for slot, name in truth.boxes.items() if name == box), None)


def believes_only_truth(supervisor: Supervisor, terminal: Terminal) -> bool:
    """Whether every slot of which the supervisor is sure holds what it believes; unsure is never wrong."""
    return all(
        held in ("?", really)
        for place in supervisor.site.places
        for held, really in zip(supervisor.inventory.shown(place), terminal.really(place), strict=True)
    )
