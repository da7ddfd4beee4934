"""A whole yard on virtual time whose cranes, berth and shuttle are on serial lines, good ones or bad ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from random import Random

from conformance.bench.serial.damage import BadLine
from conformance.bench.serial.virtual_line import RATE, VirtualLine
from protocol.codec import decode
from protocol.participant import Participant
from protocol.wire.serial.node_line import NodeLine
from protocol.wire.virtual import VirtualBus
from reference_node.controller.controller import Controller
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import VirtualStage
from tests.faulty_lines.faulty_line import site_on_lines

SITE = site_on_lines()


class _Beneath(VirtualBus):
    """The bus as gateways use it: their connections have the names of the boards."""

    def __init__(self, bus: VirtualBus) -> None:
        self.__dict__ = bus.__dict__


class LineBus(VirtualBus):
    """Puts every controller that is switched on at the end of a line of its own."""

    damage: Callable[[str], BadLine | None] = staticmethod(lambda _name: None)
    """Name of a board to how bad its line is."""

    def attach(self, participant: Participant) -> None:
        if not isinstance(participant, Controller):
            super().attach(participant)
            return
        line = self.lines.get(participant.name)
        if line is None:
            line = self.lines[participant.name] = VirtualLine(_Beneath(self), self.time, SITE)
            bad = type(self).damage(participant.name)
            if bad is not None:
                line.up = line.down = bad
        line.plug(NodeLine(participant, SITE.name, participant.name, rate=RATE))

    @property
    def lines(self) -> dict[str, VirtualLine]:
        found: dict[str, VirtualLine] = self.__dict__.setdefault("_lines", {})
        return found

    def detach(self, client_id: str, graceful: bool) -> None:
        """A board loses its power; its gateway stays."""
        if client_id in self.lines:
            self.lines[client_id].plug(None)
        else:
            super().detach(client_id, graceful)

    def sever(self, client_id: str) -> None:
        if self.is_up(client_id) or client_id not in self.lines:
            super().sever(client_id)


@dataclass(frozen=True, slots=True)
class Went:
    """How a run went."""

    bytes_passed: int
    bytes_damaged: int
    jobs_done: int
    goals_met: bool
    breaches: Sequence[str]
    seconds: float


def run_on_lines(scenario: str, rate: float, seed: int, within_ms: int) -> Went:
    """Play a scenario over lines on which so many of the bytes are flipped, lost or added to, a third each."""
    bad: list[BadLine] = []

    def make(name: str) -> BadLine:
        chance = Random(f"{seed}/{name}")
        bad.append(BadLine(chance, flip=rate / 3, lose=rate / 3, insert=rate / 3))
        return bad[-1]

    class Bus(LineBus):
        damage = staticmethod(make)

    class Stage(VirtualStage):
        bus_class = Bus

    plan = replace(load_scenario(scenario, SITE), seed=seed, within_ms=within_ms)
    stage = Stage(plan, SITE)
    stage.run()
    outcome = stage.outcome()
    done = {
        (entry.topic, body["boot"], body["id"])
        for entry in stage.bus.log
        if entry.topic.endswith("/job-report")
        and (body := decode("job-report", entry.payload).body or {}).get("state") == "done"
        and "step" not in body
        and "id" in body
        and body.get("act") in ("home", "transfer", "admit", "depart", "run", "park", "jog")
    }
    return Went(
        sum(one.passed for one in bad), sum(one.damaged for one in bad), len(done), outcome.met, stage.watch.breaches,
        stage.now_ms / 1000,
    )  # fmt: skip
