"""What a node says: its state on every change and as a heartbeat, and its reports, each in its envelope."""

from __future__ import annotations

import random
from collections.abc import Mapping
from typing import Any, ClassVar

from protocol.guards import Order
from protocol.participant import Publication
from protocol.site import Site
from protocol.specification import specification
from reference_node.controller.faults import FaultRegister
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.job import Job
from reference_node.envelope import FIRMWARE, Envelope, Uptime
from reference_node.machines.node_machines import Machines
from reference_node.roles.role import Role

PROGRESS_MS = 500
"""How often a moving machine says where it is; the protocol asks for less."""


class StatePublisher:
    """The state of a node, and the words for it. Publications gather until they are taken."""

    uptime_class: ClassVar[type[Uptime]] = Uptime
    envelope_class: ClassVar[type[Envelope]] = Envelope
    heartbeat_class: ClassVar[type[Heartbeat]] = Heartbeat
    minor: ClassVar[int] = specification().minor
    """The minor version of the protocol that the node keeps to, and says."""
    faults_class: ClassVar[type[FaultRegister]] = FaultRegister

    def __init__(
        self,
        site: Site,
        name: str,
        *,
        boot: int,
        bench: bool,
        machines: Machines,
        rng: random.Random,
        reset_cause: str,
        started_ms: int,
    ) -> None:
        self.site, self.name, self.node = site, name, site.nodes[name]
        self.boot, self.bench, self.rng, self.reset_cause = boot, bench, rng, reset_cause
        self.mark = self.mark_before = 0
        self.claimant: int | None = None
        """Who made the claim that raised the mark; None where it did not say so, or no claim did."""
        self.held, self.holds = False, 0
        self.hold_token: int | None = None
        """That of the hold that was obeyed last; None where it had none."""
        self.link = 0
        self.job: Job | None = None
        self.roles: dict[str, Role] = {}
        self.machines = machines
        self._now_ms = started_ms
        self._online = False
        self._out: list[Publication] = []
        self._told: dict[str, dict[str, Any]] = {}
        self._uptime = self.uptime_class(started_ms)
        self.envelope = self.envelope_class(site, self.node, boot)
        self.heartbeat = self.heartbeat_class()
        self.register = self.faults_class()

    @property
    def uptime(self) -> int:
        """Uptime in ms, 32 bits [MSG-08]."""
        return self._uptime.at(self._now_ms)

    def role_for(self, act: str) -> Role | None:
        """The role whose job `act` is, if it is one of this node's."""
        if act not in specification().jobs:
            return None
        return next((self.roles[name] for name in self.roles if act in specification().acts_of(name)), None)

    def state_messages(self) -> list[str]:
        """The state topics of the node, node-status first."""
        return ["node-status", *(role.message for role in self.roles.values()), "fault"]

    def tell_state(self) -> None:
        """Publish all state messages."""
        for message in self.state_messages():
            self._publish_state(message)

    def tell_all(self, order: Order) -> None:
        """ORD-03: all state messages, then the report, which is a fence."""
        self.tell_state()
        self._report({"act": "ask", "state": "done", "token": order["token"]})

    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        """A report on an order that is no job; that on a cancel goes under the id of the job it names."""
        body = {
            "id": order.get("ref", order["id"]),
            "state": state,
            "order_boot": order["boot"],
            "act": order["act"],
        }
        if (order["act"], state) == ("claim", "done") and self.claimant is not None and self.keeps("CLM-05"):
            body["claimant"] = self.claimant
        self._report(body | ({} if reason is None else {"reason": reason}))

    def keeps(self, requirement: str) -> bool:
        """Whether the minor version that the node keeps to has this requirement."""
        return requirement in specification().at(self.minor).requirements

    def answer_with_job(self, order: Order, reason: str | None = None) -> None:
        """The job's state, to a repeat of its order or to a cancel [ORD-06, ORD-14, ORD-17]."""
        assert self.job is not None
        body = self.job.report() | self._job_load() | {"act": order["act"], "order_boot": order["boot"]}
        self._report(body | ({} if reason is None else {"reason": reason}))
        if order["act"] == "cancel" and self.job.state == "cancelled":
            self.report_job()

    def report_job(self) -> None:
        """Every change of the job's state and step is reported when it happens [ORD-16]."""
        if self.job is not None:
            self._report(self.job.report() | self._job_load())

    def body(self, message: str) -> dict[str, Any]:
        """The body of one state message."""
        if message == "fault":
            return self.register.body()
        if message == "node-status":
            return self.node_status()
        role = self._speaker(message)
        return self._common() | role.body() | self._inputs(role)

    def node_status(self) -> dict[str, Any]:
        """MSG-12; `starts` on the bench only [BEN-03]."""
        body = {
            "mark": self.mark,
            "state": "on",
            "link": self.link,
            "roles": list(self.node.roles),
            "firmware": self.node.firmware or FIRMWARE,
            "minor": self.minor,
            "reads": self.node.reads,
            "reset": self.reset_cause,
            "bench": self.bench,
            "digest": self.node.digest,
            "buffer": self.node.buffer,
        }
        return body | ({"starts": self.machines.starts % 65536} if self.bench else {})

    def beat_ms(self, message: str) -> int:
        """When the message goes out again at the latest; a moving machine says more often where it is."""
        due = self.heartbeat.due_ms(message, self._now_ms)
        moving = any(role.moving for role in self.roles.values() if role.message == message)
        return self.heartbeat.due_ms(message, self._now_ms, PROGRESS_MS) if moving else due

    def _common(self) -> dict[str, Any]:
        """What every state message of a role says of the node [MSG-10, MSG-11]."""
        body: dict[str, Any] = {"mark": self.mark, "held": self.held, "holds": self.holds}
        return body | ({} if self.job is None else {"job": self.job.id, "job_state": self.job.state})

    def _job_load(self) -> dict[str, Any]:
        role = None if self.job is None else self.role_for(self.job.act)
        return {} if role is None or role.load is None else {"load": role.load}

    def _report(self, body: Mapping[str, Any]) -> None:
        self._publish("job-report", {"mark": self.mark, **body})

    def _off(self, link: int) -> Publication:
        return self.envelope.bare("node-status", {"boot": self.boot, "state": "off", "link": link})

    def _publish(self, message: str, body: Mapping[str, Any]) -> None:
        if self._online:
            self._out.append(self.envelope.wrap(message, body, self.uptime))

    def _publish_state(self, message: str) -> None:
        self._told[message] = self._gist(message)
        self.heartbeat.sent(message, self._now_ms)
        self._publish(message, self.body(message))

    def _gist(self, message: str) -> dict[str, Any]:
        if message in ("fault", "node-status"):
            return self.body(message)
        role = self._speaker(message)
        return self._common() | role.gist() | self._inputs(role)

    def _inputs(self, role: Role) -> dict[str, Any]:
        """MSG-14: how the sensors of a role stand."""
        if not self.keeps("MSG-14"):
            return {}
        return {"inputs": sum(role.lines[name].level << bit for bit, name in enumerate(self.sensors(role)))}

    def sensors(self, role: Role) -> tuple[str, ...]:
        """The sensors of a role, in the order of their bits."""
        return self.node.sensors(role.name)

    def _speaker(self, message: str) -> Role:
        return next(role for role in self.roles.values() if role.message == message)

    def _tell_changes(self) -> None:
        """MSG-01: the whole state of a topic, on every change of it."""
        for message in self.state_messages():
            if self.changed(message):
                self._publish_state(message)

    def changed(self, message: str) -> bool:
        """Whether the message would say something new."""
        return self._told.get(message) != self._gist(message)

    def _take(self) -> list[Publication]:
        out, self._out = self._out, []
        return out
