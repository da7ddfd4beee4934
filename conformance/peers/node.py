"""One node that the kit plays for a supervisor: correct by the protocol, and as unlucky as a case wants it.

What a case may do to it is what may happen to any node: messages lost on the way, a reset, another
supervisor's orders, a hold by somebody, a sensor that fails. Its answers are always those of a correct node.
"""

from __future__ import annotations

from collections.abc import Sequence

from conformance.peers.disturbances import Disturbances, SimulatedJob
from conformance.peers.machines import Machine
from conformance.peers.node_messages import Body, NodeMessages
from protocol.counting import UPTIME_MODULUS, next_count, uptime_difference
from protocol.participant import Delivery, Publication
from protocol.site import Encoding
from protocol.sizes import publish_size
from protocol.specification import OPEN, specification
from protocol.topics import Topic
from protocol.validation import read_message

CLAIMANT_SINCE = specification().requirements["CLM-05"].since


class SimulatedNode(NodeMessages):
    """A participant of the bus in the place of one node of the site file."""

    # ------------------------------------------------------------ participant
    @property
    def client_id(self) -> str:
        """Its name."""
        return self.node.name

    @property
    def keep_alive_s(self) -> int:
        """Keep-alive in seconds."""
        return self.node.keep_alive_s

    def will(self) -> Publication:
        """The will of the next connection [LNK-04]."""
        return self._publication("node-status", self.off(next_count(self.link)))

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Its own orders and those for all [LNK-05]."""
        names = (self.node.name, specification().everyone)
        return tuple((str(Topic(self.site.name, name, "job-order")), 1) for name in names)

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """On the link: say so first [LNK-08]."""
        self.at(now_ms)
        self.link = next_count(self.link)
        self.tell_all()
        return self._take()

    def disconnected(self, now_ms: int) -> None:
        """Nothing changes by it."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Handle an order at once; one with the retain flag is of another day [LNK-14]."""
        self.at(now_ms)
        self.delivered += 1
        if self.disturbances.asleep or delivery.retain or _packet_size(delivery) > self._said("buffer"):
            return []
        reading = read_message("job-order", delivery.payload, closed=False)
        order, reads = reading.body, self._said("reads")
        for_all = delivery.topic == str(Topic(self.site.name, specification().everyone, "job-order"))
        if (
            order is None
            or (for_all and order["act"] != "hold")
            or (reads != "both" and reading.encoding != Encoding(reads))
        ):
            self.changed = "bad-message"
            self.tell("fault")
        elif self.disturbances.hears(order):
            self._handle(order)
        return self._take()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Go on with the job, and repeat the state."""
        self.at(now_ms)
        self._go_on()
        if now_ms >= self._status_ms:
            self.tell("node-status")
        if now_ms >= self._beat_ms:
            self.tell(*(machine.message for machine in self.machines), "fault")
        return self._take()

    def next_tick(self, now_ms: int) -> int | None:
        """The next stage or heartbeat."""
        due = [self._beat_ms, self._status_ms]
        if self.job and self.job.due and not self.held:
            due.append(self.job.due[0][0])
        if self.job and self.job.waits_until_ms is not None:
            due.append(self.job.waits_until_ms)
        return min(due)

    # ------------------------------------------------------------ what befalls it
    def start_over(self, now_ms: int) -> Sequence[Publication]:
        """As after a day's work for another supervisor: settled, a mark, a last job that is done."""
        self._new_life(now_ms)
        for machine in self.machines:
            machine.settle()
        self.mark = self.rng.randrange(1 << 22)
        act = min(self.machines[0].acts)
        self.job = SimulatedJob(max(1, self.mark), act, self.boot, "done")
        self.disturbances = Disturbances(asleep=True)
        return []

    def wake(self, now_ms: int) -> Sequence[Publication]:
        """Hear and speak again, and say first what is so."""
        self.at(now_ms)
        if self.disturbances.stays_off:
            return []
        self.disturbances.asleep = False
        self.tell_all()
        return self._take()

    def reset(self, now_ms: int) -> Sequence[Publication]:
        """Power goes and comes back: another boot, nothing is remembered and nothing moves."""
        self._new_life(now_ms)
        self.come_up()
        self.tell_all()
        return self._take()

    def come_up(self) -> None:
        """Its machines are as after a start: it is not known where they stand."""
        for machine in self.machines:
            machine.come_up()

    def hold(self, now_ms: int) -> Sequence[Publication]:
        """Somebody holds it."""
        self.at(now_ms)
        self._hold()
        return self._take()

    def let_go(self, now_ms: int) -> Sequence[Publication]:
        """Somebody resumes it."""
        self.at(now_ms)
        self.held = False
        self.tell_all()
        return self._take()

    def near_wrap(self, now_ms: int, left_ms: int) -> Sequence[Publication]:
        """It has been on for so long that its uptime goes round in `left_ms`; said with its next word."""
        self.at(now_ms)
        self._started_ms = now_ms + left_ms - UPTIME_MODULUS
        return []

    def outrank(self, now_ms: int) -> Sequence[Publication]:
        """Another supervisor claims it."""
        self.at(now_ms)
        self.mark = (self.mark // (1 << 20) + 1 << 20) + self.rng.getrandbits(12) * 256
        self.tell_all()
        return self._take()

    def lose_track(self, now_ms: int) -> Sequence[Publication]:
        """Motor power goes: nothing is known any more of where things stand [FLT-06]."""
        self.at(now_ms)
        self.faults = next_count(self.faults)
        self.active, self.changed = ("power-lost",), "power-lost"
        for machine in self.machines:
            machine.lose()
        if self.job is not None and self.job.state in OPEN:
            self.job.states.fire("halt")
            self.job.due = []
            self._report_job("", "fault")
        self.tell_all()
        return self._take()

    def fall_silent(self, now_ms: int) -> Sequence[Publication]:
        """It says what is so, and is not heard of any more."""
        self.at(now_ms)
        self.tell_all()
        self.disturbances.asleep = True
        return self._take()

    def say_off(self, now_ms: int) -> Sequence[Publication]:
        """The will of an old connection comes late, while the node is there [LNK-09]."""
        self.at(now_ms)
        return [self._publication("node-status", self.off(self.link))]

    def say_of_boot(self, now_ms: int, boot: int) -> Sequence[Publication]:
        """The last words of a boot that is over come late: it was at rest, with nothing to do."""
        self.at(now_ms)
        now, job = self.boot, self.job
        self.boot, self.job = boot, None
        self.tell_all()
        self.boot, self.job = now, job
        return self._take()

    def misreport(self, now_ms: int, body: Body) -> Sequence[Publication]:
        """A report on something else than the open job comes."""
        self.at(now_ms)
        self._report(body)
        return self._take()

    def take_over(self, now_ms: int, act: str, fields: Body) -> Sequence[Publication]:
        """An order of the supervisor before is obeyed, with the least id that is above the mark."""
        self.at(now_ms)
        self.mark += 1
        order = {"act": act, "id": self.mark, "boot": self.boot, **fields}
        self._begin(order, next(machine for machine in self.machines if act in machine.acts))
        return self._take()

    def busy_from_before(self, now_ms: int) -> None:
        """A job of the supervisor before is under way; said with the next heartbeat."""
        self.at(now_ms)
        machine = self.machines[0]
        order = {"act": "park" if "park" in machine.acts else min(machine.acts)}
        stages = machine.stages(order) if order["act"] == "park" else ()
        self.job = SimulatedJob(max(1, self.mark), order["act"], self.boot, "running", machine=machine)
        self.job.due = [(now_ms + round(stage.share * self.disturbances.job_ms), stage) for stage in stages]

    # ------------------------------------------------------------ orders, in the order of the table `order`
    def _handle(self, order: Body) -> None:
        self.disturbances.before(order)
        act = order["act"]
        if act == "ask":
            self.tell_all()
            self._report({"act": "ask", "state": "done", "token": self.disturbances.token(order["token"])})
        elif act == "hold":
            if order.get("token") is None or order["token"] != self._hold_token:  # a repeat of it [HLD-08]
                self._hold_token = order.get("token")
                self._hold()
        elif order["boot"] != self.boot:
            self._refuse(order, "wrong-boot")
        elif act == "claim":
            self._claim(order)
        elif self.job is not None and order["id"] == self.job.id:
            self._report_job()
        elif act == "cancel" and self.job is not None and order["ref"] == self.job.id:
            self._cancel()
        elif order["id"] <= self.mark:
            self._refuse(order, "stale")
        else:
            before, self.mark = self.mark, order["id"]
            self._carry_out(order, before)

    def _carry_out(self, order: Body, mark_before: int) -> None:
        """What stands behind the check of the mark."""
        act = order["act"]
        machine = next((one for one in self.machines if act in one.acts), None)
        if act == "cancel":
            unseen = mark_before < order["ref"] < order["id"]
            self._answer(order, "cancelled" if unseen else "refused", "" if unseen else "stale")
        elif act == "resume":
            self._resume(order)
        elif act == "reset-fault":
            self._reset_fault(order)
        elif machine is None:
            bench = act in ("stimulus", "set-uptime")
            self._refuse(order, "not-bench" if bench else "unsupported")
        else:
            reason = self._forbids(order, machine)
            if reason:
                self._refuse(order, reason)
            else:
                self._begin(order, machine)
        self.tell_all()

    def _forbids(self, order: Body, machine: Machine) -> str:
        if order["act"] in self.disturbances.refuses:
            return self.disturbances.refuses.pop(order["act"])
        if self._left_ms(order) < 0:
            return "late"
        if self.job is not None and self.job.state in OPEN:
            return "busy"
        return "held" if self.held else machine.forbids(order)

    def _left_ms(self, order: Body) -> int:
        """How far ahead its deadline lies."""
        return uptime_difference(order["deadline"], (self.now_ms - (self._started_ms or 0)) % UPTIME_MODULUS)

    def _claim(self, order: Body) -> None:
        if order["id"] > self.mark:
            self.mark, self.claimed = order["id"], (order["id"], order.get("token"))
        owned = self.mark == order["id"]
        knows = self.disturbances.announces.get("minor", specification().minor) >= CLAIMANT_SINCE
        by = self.claimed[1] if knows and owned and self.claimed[0] == self.mark else None
        self._answer(order, "done" if owned else "refused", "" if owned else "stale", claimant=by)
        self.tell_all()

    def _cancel(self) -> None:
        job = self.job
        assert job is not None
        machine = job.machine
        early = machine is not None and machine.told_load == "none" and job.step != "release"
        if job.state in OPEN and machine is not None and early:
            job.states.fire("cancel", {"job": job})
            job.due = []
            machine.cancel()
        self._report_job("cancel", "too-late" if job.state in OPEN else "")
        self.tell_all()

    def _resume(self, order: Body) -> None:
        if order["holds"] != self.holds:
            self._refuse(order, "holds-count")
            return
        if self.held and self.job is not None:
            rest = self.now_ms - self._held_since
            self.job.due = [(at_ms + rest, stage) for at_ms, stage in self.job.due]
        self.held = False
        self._answer(order, "done")

    def _reset_fault(self, order: Body) -> None:
        if order["faults"] != self.faults:
            self._refuse(order, "fault-count")
            return
        reasons = [machine.found(order) for machine in self.machines]
        reason = next((one for one in reasons if one), "")
        if not reason and self.active:
            self.changed, self.active = self.active[0], ()
        self._answer(order, "refused" if reason else "done", reason)

    def _hold(self) -> None:
        if not self.held:
            self._held_since = self.now_ms
        self.held, self.holds = True, next_count(self.holds)
        self.tell_all()

    def _answer(self, order: Body, state: str, reason: str = "", claimant: int | None = None) -> None:
        body = {"id": order.get("ref", order["id"]), "order_boot": order["boot"], "act": order["act"]}
        by = {} if claimant is None else {"claimant": claimant}
        self._report(body | {"state": state} | ({"reason": reason} if reason else {}) | by)

    def _refuse(self, order: Body, reason: str) -> None:
        self._answer(order, "refused", reason)

    # ------------------------------------------------------------ jobs
    def _begin(self, order: Body, machine: Machine) -> None:
        self.job = SimulatedJob(order["id"], order["act"], order["boot"], "accepted", order.get("box", ""))
        self.job.machine = machine
        self._report_job()
        if order["act"] in self.disturbances.waits:
            self.disturbances.waits.remove(order["act"])
            self.job.late_ms = self.now_ms + self._left_ms(order) + 1
            return
        due = [(self.now_ms + round(s.share * self.disturbances.job_ms), s) for s in machine.stages(order)]
        self.job.due = due
        self.job.states.fire("start")
        self._go_on()

    def _go_on(self) -> None:
        """Go through the stages that are due; the last one is the end of the job."""
        job = self.job
        late_ms = None if job is None else job.waits_until_ms
        if job is not None and late_ms is not None and late_ms <= self.now_ms:
            job.states.fire("late")  # [ORD-23]
            self._report_job("", "late")
            self.tell(*(machine.message for machine in self.machines))
        while job is not None and not self.held and job.due and job.due[0][0] <= self.now_ms:
            _, stage = job.due.pop(0)
            job.step = stage.step
            if job.machine is not None:
                job.machine.reach(stage)
            if not job.due:
                job.states.fire("finish")
            self._report_job()
            self.tell(*(machine.message for machine in self.machines))

    # ------------------------------------------------------------ lives
    def _new_life(self, now_ms: int) -> None:
        self._started_ms = self.now_ms = now_ms
        self.boot = (self.boot + self.rng.randrange(1, 65536)) % 65536
        self.mark = self.holds = self.faults = 0
        self._hold_token = None
        self.claimed = (0, None)
        self.link, self.held, self.active, self.changed, self.job = 1, False, (), "", None
        self._seq = {}


def _packet_size(delivery: Delivery) -> int:
    """Bytes of the whole PUBLISH that an order comes in."""
    return publish_size(len(delivery.topic.encode()), len(delivery.payload), qos=1)
