"""The controller of one node: takes part in the bus for its roles, and moves only what it is ordered to.

Pure: bytes and times come in, publications go out. Every rule is one small method, here or in one of the
parts that the class attributes name, so that a node which breaks exactly one rule is a subclass.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, ClassVar

from protocol.counting import next_count
from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.specification import specification
from reference_node.edge import Edge
from reference_node.envelope import Envelope, Uptime
from reference_node.faults import BadMessages, FaultRegister
from reference_node.heartbeat import Heartbeat
from reference_node.inbox import Inbox
from reference_node.job import Job
from reference_node.machines import Machines
from reference_node.order_desk import OrderDesk
from reference_node.roles.berth import Berth
from reference_node.roles.crane import Crane
from reference_node.roles.role import Role
from reference_node.roles.shuttle import Shuttle
from reference_node.stimulus_player import StimulusPlayer

PROGRESS_MS = 500
"""How often a moving machine says where it is; the protocol asks for less."""


class Controller:
    """A node with its roles over simulated machines; a `protocol.participant.Participant`."""

    desk_class: ClassVar[type[OrderDesk]] = OrderDesk
    inbox_class: ClassVar[type[Inbox]] = Inbox
    job_class: ClassVar[type[Job]] = Job
    uptime_class: ClassVar[type[Uptime]] = Uptime
    envelope_class: ClassVar[type[Envelope]] = Envelope
    heartbeat_class: ClassVar[type[Heartbeat]] = Heartbeat
    faults_class: ClassVar[type[FaultRegister]] = FaultRegister
    bad_messages_class: ClassVar[type[BadMessages]] = BadMessages
    player_class: ClassVar[type[StimulusPlayer]] = StimulusPlayer
    crane_class: ClassVar[type[Crane]] = Crane
    berth_class: ClassVar[type[Berth]] = Berth
    shuttle_class: ClassVar[type[Shuttle]] = Shuttle

    def __init__(
        self,
        site: Site,
        name: str,
        *,
        boot: int,
        bench: bool,
        machines: Machines,
        rng: random.Random,
        reset_cause: str = "power-on",
        started_ms: int = 0,
        boot_lost: bool = False,
    ) -> None:
        """`boot_lost` says that `boot` came from random bits because the counter was not valid [MSG-06]."""
        self.site, self.name, self.node = site, name, site.nodes[name]
        self.boot, self.bench, self.rng, self.reset_cause = boot, bench, rng, reset_cause
        self.mark = self.mark_before = 0
        self.held, self.holds = False, 0
        self.link = 0
        self.job: Job | None = None
        self.machines = machines
        self._now_ms = started_ms
        self._online = False
        self._out: list[Publication] = []
        self._told: dict[str, dict[str, Any]] = {}
        self._uptime = self.uptime_class(started_ms)
        self.envelope = self.envelope_class(site, self.node, boot)
        self.heartbeat = self.heartbeat_class()
        self.register = self.faults_class()
        self.bad_messages = self.bad_messages_class()
        self.player = self.player_class()
        self.desk = self.desk_class(self)
        self.inbox = self.inbox_class(site, self.node)
        machines.power_up(started_ms)
        self._motor_power = self._levels()["motor-power"]
        self.roles = self.build_roles()
        if boot_lost:
            self.warn("boot-lost")
        if not self._motor_power:
            self.power_lost()

    def build_roles(self) -> dict[str, Role]:
        """The roles of the site file, in its order; a supervisor is none of this class's."""
        levels, machines, node = self._levels(), self.machines, self.node
        roles: dict[str, Role] = {}
        if node.crane is not None and machines.crane is not None:
            roles["crane"] = self.crane_class(self, self.site, node.crane, machines.crane, levels)
        if node.berth is not None and machines.track is not None:
            roles["berth"] = self.berth_class(self, node.berth, machines.track, levels)
        if node.shuttle is not None and machines.shuttle is not None:
            roles["shuttle"] = self.shuttle_class(self, node.shuttle, machines.shuttle, levels)
        return {name: roles[name] for name in node.roles if name in roles}

    def _levels(self) -> dict[str, bool]:
        """How the sensor lines stand at the start: on the bench nothing is closed and the power is on."""
        return {"motor-power": True} if self.bench else self.machines.levels()

    # ---- a participant of the bus

    @property
    def client_id(self) -> str:
        """The node's name, at every connection [LNK-11]."""
        return self.name

    @property
    def keep_alive_s(self) -> int:
        """As the site says [LNK-02]."""
        return self.node.keep_alive_s

    def will(self) -> Publication | None:
        """Boot, the count of the connection to come, and 'off' [LNK-04]."""
        return self._off(next_count(self.link))

    def parting(self, now_ms: int) -> Sequence[Publication]:
        """What is published before a disconnect on purpose [LNK-16]."""
        return [self._off(self.link)]

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """The node's own orders and those to all, at QoS 1 [LNK-05, LNK-06]."""
        return [(topic, 1) for topic in self.inbox.topics]

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """node-status first, then all other state [LNK-08]."""
        self.link = next_count(self.link)
        self._online = True
        self._work(now_ms)
        self._out.clear()
        self.tell_state()
        return self._take()

    def disconnected(self, now_ms: int) -> None:
        """The job goes on; what it would say is said at the next connection [SAF-04]."""
        self._work(now_ms)
        self._online = False

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Orders are handled as they come and answered at once [ORD-01, ORD-02, LNK-15]."""
        self._work(now_ms)
        if self.inbox.takes(delivery):
            order = self.inbox.read(delivery)
            if order is None:
                self.bad_messages.came()  # ENC-10
            else:
                self.desk.handle(order)
            self._tell_changes()
            self._raise_bad_message()
        return self._take()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Machines and jobs go on, heartbeats go out."""
        self._work(now_ms)
        self._raise_bad_message()
        for message in self.state_messages():
            if self.beat_ms(message) <= now_ms:
                self._publish_state(message)
        return self._take()

    def next_tick(self, now_ms: int) -> int | None:
        """The earliest of heartbeats, machines, stimuli, time-outs."""
        due: list[int | None] = [role.due_ms for role in self.roles.values()]
        due += [
            self.bad_messages.due_ms,
            _ceil_ms(self.machines.next_event_us()),
            _ceil_ms(self.player.next_us),
        ]
        due += [self.beat_ms(message) for message in self.state_messages()] if self._online else []
        if self.job is not None and self.job.state == "accepted" and not self.held:
            return now_ms
        return max(now_ms, min((time for time in due if time is not None), default=now_ms + 1000))

    # ---- facts for the guards and the roles

    @property
    def uptime(self) -> int:
        """Uptime in ms, 32 bits [MSG-08]."""
        return self._uptime.at(self._now_ms)

    @property
    def faults(self) -> int:
        """Count of faults of level halt."""
        return self.register.count

    def role_for(self, act: str) -> Role | None:
        """The role whose job `act` is, if it is one of this node's."""
        if act not in specification().jobs:
            return None
        return next((self.roles[name] for name in self.roles if act in specification().acts_of(name)), None)

    def raise_mark(self, id_: int) -> None:
        """ORD-08: never lowered within a boot."""
        self.mark_before, self.mark = self.mark, max(self.mark, id_)

    # ---- orders obeyed

    def hold(self) -> None:
        """HLD-01: motion stops, the job stays."""
        self.holds = next_count(self.holds)
        if not self.held:
            self.held = True
            self._each_role(lambda role: role.hold(self._now_ms))
        self._tell_changes()

    def cancel_job(self) -> None:
        """ORD-17: ends the job if nothing was picked."""
        job = self.job
        if job is not None and job.fire("cancel"):
            role = self.role_for(job.act)
            if role is not None:
                role.cancel(self._now_ms)

    def begin(self, order: Order) -> None:
        """Accept a job; it starts with the next tick, which is due at once."""
        self.job = self.job_class(order)
        role = self.role_for(self.job.act)
        assert role is not None
        role.accept(order, self._now_ms)
        self.report_job()

    def obey(self, order: Order) -> None:
        """Do what is no job, then report it done."""
        acts: dict[str, Callable[[Order], None]] = {
            "resume": self.resume,
            "reset-fault": self.reset_fault,
            "stimulus": lambda order: self.player.add(order["inputs"], self._now_ms),
            "set-uptime": lambda order: self._uptime.set(order["uptime"], self._now_ms),
        }
        acts[order["act"]](order)
        self.answer(order, "done")

    def resume(self, _order: Order) -> None:
        """HLD-05: the open job goes on."""
        if self.held:
            self.held = False
            self._each_role(lambda role: role.resume(self._now_ms))

    def reset_fault(self, order: Order) -> None:
        """Clear what can be cleared; moves nothing and restarts nothing [FLT-05]."""
        for code in list(self.register.active):
            if self.may_clear(code):
                self.register.clear(code)
        if not self.register.halted:
            self._each_role(lambda role: role.reset_fault(order, self._now_ms))
        self._publish_state("fault")

    def may_clear(self, code: str) -> bool:
        """Whether a person's look ends this fault: power must be there, and an unsure load be settled."""
        return code != "load-unsure" and (code != "power-lost" or self._motor_power)

    # ---- what roles tell their host

    def step(self, step: str) -> None:
        """Report every change of step."""
        if self.job is not None and self.job.step != step:
            self.job.step = step
            self.report_job()

    def past_return(self) -> None:
        """From now on a cancel comes too late."""
        if self.job is not None:
            self.job.past_return = True

    def finish(self) -> None:
        """ORD-16: what was asked is so."""
        if self.job is not None:
            role = self.role_for(self.job.act)
            self.job.fire("finish")
            if role is not None:
                role.finished()
            self.report_job()

    def halt(self, role: Role, code: str, part: str | None = None) -> None:
        """FLT-02: the job fails, the machine stops, the fault is counted."""
        self._halt([role], code, part)

    def power_lost(self) -> None:
        """FLT-06: nobody knows any more where anything is."""
        self.machines.power_off(self._now_ms)
        self._halt(list(self.roles.values()), "power-lost", None)

    def _halt(self, raisers: Iterable[Role], code: str, part: str | None) -> None:
        job = self.job if self.job is not None and self.job.is_open else None
        struck = [*raisers, self.role_for(job.act) if job is not None else None]
        self.register.raise_(code, part=part, job=None if job is None else job.id)
        for role in self.roles.values():
            if role in struck:
                role.halt(self._now_ms)
        self._publish_state("fault")
        if job is not None:
            job.reason = "fault"
            job.fire("halt")
            self.report_job()

    def warn(self, code: str, part: str | None = None) -> None:
        """FLT-03: neither ends a job nor counts."""
        self.register.raise_(code, part=part)
        self._publish_state("fault")

    def settle(self, code: str) -> None:
        """A fault of level warn has gone."""
        self.register.clear(code)

    # ---- what the node says

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
        self._report(body | ({} if reason is None else {"reason": reason}))

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
        return self._common() | role.body()

    def node_status(self) -> dict[str, Any]:
        """MSG-12; `starts` on the bench only [BEN-03]."""
        body = {
            "mark": self.mark,
            "state": "on",
            "link": self.link,
            "roles": list(self.node.roles),
            "firmware": self.node.firmware,
            "minor": specification().minor,
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
        return self._common() | self._speaker(message).gist()

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

    def _raise_bad_message(self) -> None:
        if self.bad_messages.take(self._now_ms):
            self.warn("bad-message")

    def _take(self) -> list[Publication]:
        out, self._out = self._out, []
        return out

    # ---- machines and jobs

    def _work(self, now_ms: int) -> None:
        """Bring machines, sensors and the job forward to `now_ms`, one happening after the other."""
        for at_us, edges in self._happenings(now_ms * 1000):
            self._now_ms = max(self._now_ms, -(-at_us // 1000))
            for edge in edges:
                self._feel(edge)
            self._run_roles()
        self._now_ms = max(self._now_ms, now_ms)
        self._start_job()
        self._run_roles()

    def _happenings(self, now_us: int) -> Iterator[tuple[int, list[Edge]]]:
        """Edges in their order: those of the machines in service, those of a tester on the bench [BEN-01]."""
        for edge in self.player.take(now_us):
            yield from self._turn_machines(edge.at_us)
            yield edge.at_us, [edge]
        yield from self._turn_machines(now_us)

    def _turn_machines(self, until_us: int) -> Iterator[tuple[int, list[Edge]]]:
        for at_us, edges in self.machines.run_to(until_us):
            yield at_us, [] if self.bench else edges

    def _feel(self, edge: Edge) -> None:
        if edge.sensor == "motor-power":
            self._feel_power(edge.closed)
        self._each_role(lambda role: role.edge(edge))

    def _feel_power(self, present: bool) -> None:
        lost, self._motor_power = self._motor_power and not present, present
        if lost:
            self.power_lost()

    def _start_job(self) -> None:
        if self.job is None or self.job.state != "accepted" or self.held:
            return
        role = self.role_for(self.job.act)
        assert role is not None
        self._tell_changes()
        self.job.fire("start")
        role.start(self._now_ms)
        self._tell_changes()

    def _run_roles(self) -> None:
        for role in self.roles.values():
            while role.tick(self._now_ms):
                self._tell_changes()
        self._tell_changes()

    def _each_role(self, do: Callable[[Role], None]) -> None:
        for role in self.roles.values():
            do(role)


def _ceil_ms(time_us: int | None) -> int | None:
    return None if time_us is None else -(-time_us // 1000)
