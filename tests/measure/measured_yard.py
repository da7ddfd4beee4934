"""The whole yard on a virtual bus, measured by words that a test says; and what really reached the broker."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from random import Random
from typing import Any

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding, Site
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.topics import Topic
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from reference_node.machines.imperfect import imperfect_tracks
from reference_node.measuring.course import Course
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.plan import Found, Phase, Plan
from reference_node.measuring.simulated_person import Eye
from reference_node.scenario.simulated_yard import SimulatedYard
from tests.supervisor.terminal import read

CRANE, BERTH, PLACE = "south", "siding", "siding"
MOVING = ("home", "jog", "park", "transfer", "admit", "depart", "run")
LOOK_MS = 100


class MeasuredYard:
    """Nodes that run as they do everywhere, and a course of a measurement beside them."""

    def __init__(
        self, *, without: Sequence[str] = (), planted: Sequence[str] = (), largest: int | None = None,
        patience_ms: int = 300_000, nodes_site: Site | None = None, bench: Sequence[str] = (), starts: bool = True,
    ) -> None:  # fmt: skip
        """`without` are nodes that are switched off; `nodes_site` is another site file in the boards."""
        self.site = scenario()
        self.time = VirtualTime()
        self.bus = VirtualBus(self.time, Random(1))
        tracks = imperfect_tracks(self.site, planted, Random(5))
        self.yard = SimulatedYard(nodes_site or self.site, {}, (), Random(2), 0, imperfect=tracks)
        for name in self.yard.machines:
            if name not in without:
                controller = self.yard.controller(name, 0)
                controller.bench = name in bench
                self.bus.attach(controller)
        self.time.run_until(1_000)
        self.supervisor = MeasuringSupervisor(
            self.site, "yard", nodes=(CRANE, BERTH), boot=77, rng=Random(9), started_ms=self.time.now_ms
        )
        self.pairs: list[Found] = []
        self.told: list[str] = []
        plan = Plan(CRANE, PLACE, 0, largest, patience_ms)
        self.course = Course(self.supervisor, plan, self.pairs.append, self.told.append)
        machines = self.yard.machines[CRANE]
        self.eye = Eye(self.yard.truth, machines, CRANE, PLACE, 0, Random(4))
        if starts:
            self.start()

    def start(self) -> None:
        """The one who measures comes onto the bus."""
        self.bus.attach(self.supervisor)
        self._look()

    def _look(self) -> None:
        self.course.go_on()
        if not self.course.ended:
            self.time.call_in(LOOK_MS, self._look)

    # ------------------------------------------------------------ going on
    def run_for(self, seconds: float) -> None:
        self.time.run_until(self.time.now_ms + int(seconds * 1000))

    def until(self, what: Callable[[], object], within_s: float = 120) -> None:
        happened = self.time.run_until_true(lambda: bool(what()), int(within_s * 1000))
        assert happened, (self.course.phase, self.course.ended, self.told[-5:])

    def say(self, line: str, *, then: Phase | None = Phase.AT_REST) -> None:
        """Say it, and wait until something else can be said."""
        self.course.say(line)
        if then is not None:
            self.run_for(0.2)
            self.until(lambda: self.course.phase is then and self.course.takes_words)

    def ready(self) -> None:
        """Homed, the hoist up, and a train is waited for."""
        self.until(lambda: self.course.phase is Phase.ASKED)
        self.say("yes", then=Phase.TRAIN)

    def at_rest(self) -> None:
        """A train stands there, and the crane may be jogged."""
        self.ready()
        self.say("admit shunter")

    def ended(self, why: str, within_s: float = 60) -> None:
        """It ends for that reason, with everything held that reaches there."""
        self.until(lambda: self.course.ended, within_s)
        assert why in self.course.ended, self.course.ended
        assert self.course.stays_held

    # ------------------------------------------------------------ the bus
    def orders(
        self, *acts: str, since_ms: int = 0, by: str = "yard"
    ) -> list[tuple[int, str, Mapping[str, Any]]]:
        """Time, node and body of the orders that reached the broker."""
        found: list[tuple[int, str, Mapping[str, Any]]] = []
        for entry in self.bus.log:
            if entry.topic.endswith("/job-order") and entry.sender == by and entry.at_ms >= since_ms:
                body = read(entry.topic, entry.payload)
                assert body is not None
                if not acts or body["act"] in acts:
                    found.append((entry.at_ms, entry.topic.split("/")[2], body))
        return found

    def moving(self, since_ms: int = 0) -> list[tuple[str, str]]:
        """Node and act of each moving order that was new then: an open one is repeated until its final report."""
        first: dict[tuple[str, int], tuple[int, str]] = {}
        for at_ms, node, body in self.orders(*MOVING):
            first.setdefault((node, body["id"]), (at_ms, body["act"]))
        return [(node, act) for (node, _), (at_ms, act) in first.items() if at_ms >= since_ms]

    def held_since(self, since_ms: int) -> set[str]:
        """The nodes to which a hold was sent."""
        return {node for _, node, _ in self.orders("hold", since_ms=since_ms)}

    def publish(self, node: str, message: str, body: Mapping[str, Any], *, retain: bool = False) -> None:
        """Another client says something."""
        reads = self.site.nodes[node].reads if node in self.site.nodes else "both"
        encoding = Encoding.JSON if reads == "json" else Encoding.CBOR
        topic = Topic(self.site.name, node, message)
        self.bus.publish(
            Publication(str(topic), encode(message, body, encoding), 1, retain=retain), "stranger"
        )

    def stands(self) -> tuple[int, ...]:
        """Where the crane says that it is."""
        return tuple(axis[0] for axis in self.supervisor.sessions[CRANE].words["crane-status"]["axes"])


def supervisor_status(site: Site, name: str, boot: int, state: str = "on") -> dict[str, Any]:
    """What another supervisor says of itself."""
    node = site.nodes["yard"]
    return {
        "boot": boot, "seq": 1, "uptime": 10, "mark": 0, "state": state, "link": 1, "roles": ["supervisor"],
        "firmware": "another", "minor": specification().minor, "reads": node.reads, "reset": "unknown", "bench": False,
        "digest": node.digest, "buffer": node.buffer,
    }  # fmt: skip


def other_site() -> Site:
    """The same site, but the crane has another table."""
    site = scenario()
    node = site.nodes[CRANE]
    return replace(site, nodes={**site.nodes, CRANE: replace(node, digest=node.digest ^ 1)})
