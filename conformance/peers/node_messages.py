"""What a simulated node knows of itself, and the messages in which it says so."""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any

from conformance.peers.disturbances import Disturbances, SimulatedJob
from conformance.peers.machines import machines_of
from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, next_count
from protocol.participant import Publication
from protocol.site import Site
from protocol.specification import specification
from protocol.topics import Topic

Body = Mapping[str, Any]
BEAT_MS, STATUS_MS = 900, 4500


class NodeMessages:
    """The state of one node, and its state messages and reports as they are published."""

    def __init__(self, site: Site, name: str, rng: Random) -> None:
        self.site, self.node, self.rng = site, site.nodes[name], rng
        self.machines = machines_of(site, self.node)
        self.disturbances = Disturbances()
        self.boot = rng.randrange(65536)
        self.mark = self.holds = self.faults = self.link = 0
        self._hold_token: int | None = None
        self.held = False
        self.active: tuple[str, ...] = ()
        self.changed = ""
        self.delivered = 0
        """Orders that have come to it, whatever it does with them."""
        self.claimed: tuple[int, int | None] = (0, None)
        """The newest claim that raised the mark, and whose it was [CLM-05]."""
        self.job: SimulatedJob | None = None
        self.now_ms = 0
        self._started_ms: int | None = None
        self._held_since = 0
        self._beat_ms = self._status_ms = 0
        self._seq: dict[str, int] = {}
        self._out: list[Publication] = []

    def at(self, now_ms: int) -> None:
        """It is this instant."""
        if self._started_ms is None:
            self._started_ms = now_ms
        self.now_ms = now_ms

    def _take(self) -> list[Publication]:
        out, self._out = self._out, []
        return out

    def off(self, link: int) -> dict[str, Any]:
        """All that a will says."""
        return {"boot": self.boot, "link": link, "state": "off"}

    def tell_all(self) -> None:
        """Publish every state message."""
        self.tell("node-status", *(machine.message for machine in self.machines), "fault")

    def tell(self, *messages: str) -> None:
        """Publish these state messages."""
        for message in messages:
            self._say(message, self._state(message))
        self._beat_ms = self.now_ms + BEAT_MS
        if "node-status" in messages:
            self._status_ms = self.now_ms + STATUS_MS

    def _state(self, message: str) -> dict[str, Any]:
        if message == "node-status":
            return {
                "mark": self.mark, "state": "on", "link": self.link, "roles": list(self.node.roles),
                "firmware": "played", "minor": specification().minor, "reset": "power-on",
                "bench": False, "reads": self.node.reads, "digest": self.node.digest,
                "buffer": self.node.buffer, **self.disturbances.announces,
            }  # fmt: skip
        if message == "fault":
            changed = self.changed
            level = {"changed": changed, "level": specification().fault_level(changed)} if changed else {}
            return {"active": list(self.active), "faults": self.faults, **level}
        machine = next(one for one in self.machines if one.message == message)
        job = {"job": self.job.id, "job_state": self.job.state} if self.job else {}
        return {"mark": self.mark, "held": self.held, "holds": self.holds, **job, **machine.body()}

    def _report(self, body: Body) -> None:
        self._say("job-report", {"mark": self.mark, **body})

    def _report_job(self, act: str = "", reason: str = "") -> None:
        job = self.job
        assert job is not None
        body: dict[str, Any] = {
            "id": job.id,
            "order_boot": job.boot,
            "act": act or job.act,
            "state": job.state,
        }
        load = job.machine.told_load if job.machine else None
        extra = {"step": job.step, "box": job.box, "load": load, "reason": reason}
        self._report(body | {key: value for key, value in extra.items() if value})

    def _say(self, message: str, body: Body) -> None:
        seq = self._seq[message] = next_count(self._seq[message]) if message in self._seq else 0
        uptime = (self.now_ms - (self._started_ms or 0)) % UPTIME_MODULUS
        whole = {"boot": self.boot, "seq": seq, "uptime": uptime, **body}
        if not self.disturbances.asleep and self.disturbances.says(message, whole):
            self._out.append(self._publication(message, whole))

    def _publication(self, message: str, body: Body) -> Publication:
        topic = Topic(self.site.name, self.node.name, message)
        retain = specification().topics[message].retain
        payload = self.disturbances.writes(encode(message, body, self.node.writes))
        return Publication(str(topic), payload, self.node.qos, retain)

    def _said(self, key: str) -> Any:
        return self.disturbances.announces.get(key, getattr(self.node, key))
