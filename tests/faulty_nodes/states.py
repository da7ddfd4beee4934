"""Nodes that are wrong in what their state says, when they say it, and in what they do on the bench."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from protocol.counting import UPTIME_MODULUS
from protocol.participant import Publication
from reference_node.controller.controller import Controller
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.stimulus_player import StimulusPlayer
from reference_node.envelope import Envelope, Uptime
from tests.faulty_nodes.faulty import faulty


@faulty("MSG-02", "messages-repeat")
class BeatsATenthTooSlowly(Controller):
    class heartbeat_class(Heartbeat):  # noqa: N801
        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, every_ms) + (0 if message == "node-status" else 300)


@faulty("MSG-03", "messages-heartbeat")
class SaysWhoItIsTooSeldom(Controller):
    class heartbeat_class(Heartbeat):  # noqa: N801
        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, every_ms) + (1100 if message == "node-status" else 0)


@faulty("MSG-01", "messages-changes")
class TellsStateByItsClockOnly(Controller):
    def changed(self, message: str) -> bool:
        return message not in self._told


@faulty("MSG-04", "messages-boot")
class ForgetsItsBootInFaults(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def wrap(self, message: str, body: Mapping[str, Any], uptime: int) -> Publication:
            if message == "fault":
                return self.bare(message, {"boot": 0, "seq": self.count(message), "uptime": uptime, **body})
            return super().wrap(message, body, uptime)


@faulty("MSG-07", "messages-seq")
class CountsAllTopicsTogether(Controller):
    class envelope_class(Envelope):  # noqa: N801
        def count(self, message: str) -> int:
            return super().count("any")


@faulty("MSG-08", "messages-uptime")
class CountsInTensOfMilliseconds(Controller):
    class uptime_class(Uptime):  # noqa: N801
        def at(self, now_ms: int) -> int:
            return super().at(now_ms) // 10


@faulty("MSG-09", "bench-wrap")
class StopsAtTheWrap(Controller):
    """Compares times with '<': after the wrap nothing is ever due."""

    newest = 0

    def tick(self, now_ms: int) -> Sequence[Publication]:
        out = super().tick(now_ms)
        return out if self.uptime >= self.newest else []

    def next_tick(self, now_ms: int) -> int | None:
        self.newest = max(self.newest, self.uptime)
        return super().next_tick(now_ms)


@faulty("MSG-12", "messages-node-status")
class BuiltWithAnOlderSiteFile(Controller):
    def node_status(self) -> dict[str, Any]:
        said = super().node_status()
        return said | {"digest": (said["digest"] + 1) % UPTIME_MODULUS}


@faulty("MSG-11", "orders-ask")
class SaysAnOldMark(Controller):
    def node_status(self) -> dict[str, Any]:
        return super().node_status() | {"mark": self.mark + 1}


@faulty("BEN-01", "bench-not-in-service", bench=False)
class TakesStimuliInService(Controller):
    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.desk.guards = self.desk.guards | {"not_on_bench": lambda order, node: False}


@faulty("BEN-03", "bench-starts")
class HidesItsStarts(Controller):
    def node_status(self) -> dict[str, Any]:
        said = super().node_status()
        said.pop("starts", None)
        return said


@faulty("BEN-04", "bench-set-uptime")
class SetsUptimeASecondLate(Controller):
    class uptime_class(Uptime):  # noqa: N801
        def set(self, uptime: int, now_ms: int) -> None:
            super().set((uptime + 1000) % UPTIME_MODULUS, now_ms)


@faulty("MSG-10", "orders-job", node="ferry")
class ForgetsItsJobWhenItIsDone(Controller):
    def _common(self) -> dict[str, Any]:
        said = super()._common()
        if said.get("job_state") == "done":
            del said["job"], said["job_state"]
        return said


@faulty("BEN-02", "berth-times-arrival")
class PlaysStimuliTwiceAsSlowly(Controller):
    class player_class(StimulusPlayer):  # noqa: N801
        def add(self, inputs: Iterable[Sequence[object]], now_ms: int) -> None:
            super().add([(sensor, level, 2 * int(str(delay))) for sensor, level, delay in inputs], now_ms)
