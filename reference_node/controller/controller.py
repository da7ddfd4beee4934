"""The controller of one node: takes part in the bus for its roles, and moves only what it is ordered to.

Pure: bytes and times come in, publications go out. Every rule is one small method, here or in one of the
parts that the class attributes name, so that a node which breaks exactly one rule is a subclass.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import ClassVar

from protocol.counting import next_count, uptime_difference
from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.specification import specification
from protocol.state_machine import StateMachine
from reference_node.controller.faults import BadMessages
from reference_node.controller.inbox import Inbox
from reference_node.controller.job import Job
from reference_node.controller.order_desk import OrderDesk
from reference_node.controller.publisher import StatePublisher
from reference_node.controller.stimulus_player import StimulusPlayer
from reference_node.machines.node_machines import Machines
from reference_node.mechanism.edge import Edge
from reference_node.roles.berth import Berth
from reference_node.roles.crane import Crane
from reference_node.roles.role import Role
from reference_node.roles.shuttle import Shuttle


class Controller(StatePublisher):
    """A node with its roles over simulated machines; a `protocol.participant.Participant`."""

    desk_class: ClassVar[type[OrderDesk]] = OrderDesk
    inbox_class: ClassVar[type[Inbox]] = Inbox
    job_class: ClassVar[type[Job]] = Job
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
        super().__init__(
            site,
            name,
            boot=boot,
            bench=bench,
            machines=machines,
            rng=rng,
            reset_cause=reset_cause,
            started_ms=started_ms,
        )
        self._no_job = StateMachine(specification().tables["job"])
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
        self._work(now_ms)
        self.link = next_count(self.link)
        self._online = True
        self.tell_state()
        return self._take()

    def disconnected(self, now_ms: int) -> None:
        """The job goes on; what it would say is said at the next connection [SAF-04], after node-status [LNK-08]."""
        self._online = False
        self._work(now_ms)

    def status(self, now_ms: int) -> Sequence[Publication]:
        """The node-status again: a serial line has lost it [SER-08]."""
        self._pass_time(now_ms)
        self._publish_state("node-status")
        return self._take()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Orders are handled as they come and answered at once [ORD-01, ORD-02, LNK-15].

        No job starts here: a hold or a cancel that comes with its order still finds it where it has not moved anything.
        """
        self._pass_time(now_ms)
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
        if self.job is not None and self.job.state == "accepted":
            if not self.held:
                return now_ms
            due.append(now_ms + max(0, self._left_ms(self.job)) + 1)
        return max(now_ms, min((time for time in due if time is not None), default=now_ms + 1000))

    # ---- facts for the guards and the roles

    @property
    def faults(self) -> int:
        """Count of faults of level halt."""
        return self.register.count

    @property
    def job_open(self) -> bool:
        """Whether there is a job that has not ended."""
        return self.job is not None and self.job.is_open

    @property
    def job_machine(self) -> StateMachine:
        """Where the node is in the table of its job."""
        return self._no_job if self.job is None else self.job.machine

    def raise_mark(self, id_: int) -> None:
        """ORD-08: never lowered within a boot."""
        self.mark_before, self.mark = self.mark, max(self.mark, id_)
        self.claimant = None

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
        self.job = self.job_class(order, self.job, self.minor)
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

    def _raise_bad_message(self) -> None:
        if self.bad_messages.take(self._now_ms):
            self.warn("bad-message")

    # ---- machines and jobs

    def _work(self, now_ms: int) -> None:
        """Bring all forward to `now_ms`, and start the job that waits for it."""
        self._pass_time(now_ms)
        self._start_job()
        self._run_roles()

    def _pass_time(self, now_ms: int) -> None:
        """Bring machines, sensors and the running job forward to `now_ms`, one happening after the other."""
        for at_us, edges in self._happenings(now_ms * 1000):
            self._now_ms = max(self._now_ms, -(-at_us // 1000))
            for edge in edges:
                self._feel(edge)
            self._run_roles()
        self._now_ms = max(self._now_ms, now_ms)
        self._end_late_job()
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

    def _end_late_job(self) -> None:
        """ORD-23: what has not started by its deadline never starts."""
        job = self.job
        if job is None or job.state != "accepted" or not self.keeps("ORD-23") or self._left_ms(job) >= 0:
            return
        job.reason = "late"
        job.fire("late")
        role = self.role_for(job.act)
        if role is not None:
            role.cancel(self._now_ms)
        self.report_job()

    def _left_ms(self, job: Job) -> int:
        """Until the deadline of a job, below 0 behind it, as a signed difference [ORD-11]."""
        return uptime_difference(job.order["deadline"], self.uptime)

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
