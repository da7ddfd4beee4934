"""The life of a node: time passes, orders come, connections come and go."""

from .faults import Faults
from .job import Job
from .machine import Machine
from .obey import handle
from .order import read_order
from .speaker import Speaker, uptime_of
from .tables import ACTS_OF, BAD_MESSAGE_GAP_MS, SETTLING_MS
from .uptime import after


class Node:
    """A node of one role. `site` is its part of the site file (`yw_site.py`), `board` a `board.Board`.

    Nothing here waits, and nothing is called from an interrupt. `reset` is a reset cause in a word of the protocol.
    """

    def __init__(
        self,
        site: dict,
        board,
        boot: int,
        boot_lost: bool = False,
        bench: bool = False,
        reset: str = "unknown",
    ) -> None:
        self.site, self.board = site, board
        self.boot, self.bench, self.reset = boot, bench, reset
        self.now_ms = board.clock_ms()
        self.ahead_ms = 0
        self.mark = self.mark_before = 0
        self.claimant = None
        self.job: Job | None = None
        self.held, self.holds, self.hold_token = False, 0, None
        self.starts = 0
        self.power = True
        self.settled_ms = self.now_ms
        self._bad_waits = False
        self._bad_ms: int | None = None
        self.role_name = site["role"]
        self.acts = ACTS_OF[self.role_name]
        self.speaker = Speaker(self)
        self.faults = Faults(self)
        self.machine = Machine(self.role_name, self.speaker.role_changed)
        self.role = _role_of(self)
        self.inputs = self.role.inputs
        board.off()
        if not bench:
            seen = board.inputs()
            self.inputs.begin(seen)
            self.power = bool(seen.get("motor-power", True))
        self.role.start()
        if boot_lost:
            self.faults.warn("boot-lost")
        if not self.power:
            self._power_lost()

    # ------------------------------------------------------------ what a link calls

    def will(self) -> bytes:
        """The payload of the will for the connection to come."""
        return self.speaker.off(self.speaker.link + 1)

    def parting(self) -> bytes:
        """The payload of the word before a disconnect on purpose."""
        return self.speaker.off(self.speaker.link)

    def connected(self) -> None:
        """After a connection and both subscriptions; says all state."""
        self._pass_time()
        self.speaker.link = (self.speaker.link + 1) & 0xFFFF
        self.speaker.online = True
        self.speaker.tell_all()

    def disconnected(self) -> None:
        """The connection is gone. The job goes on."""
        self.speaker.online = False

    def receive(self, payload: bytes, to_all: bool) -> None:
        """The payload of one order that was not retained. `to_all`: it came on the topic of all."""
        self._pass_time()
        order = read_order(payload, self.site["reads"])
        if order is None or (to_all and order["act"] != "hold"):  # [HLD-07]
            self._bad_waits = True  # [ENC-10]
        else:
            handle(self, order)
        self.speaker.tell_changes()
        self._raise_bad_message()

    def tick(self) -> None:
        """As often as the main loop comes round, once a millisecond at best."""
        self._pass_time()
        self._start_job()
        self._raise_bad_message()
        self.speaker.beat()

    # ------------------------------------------------------------ what the parts of a node ask and tell

    def uptime(self) -> int:
        """Milliseconds since the start, in 32 bits [MSG-08]."""
        return uptime_of(self.now_ms, self.ahead_ms)

    def job_open(self) -> bool:
        """Whether a job has not ended."""
        return self.job is not None and self.job.is_open()

    def raise_mark(self, number: int) -> None:
        """Remember the highest id, and forget whose claim raised it before [ORD-08]."""
        self.mark_before = self.mark
        self.mark = max(self.mark, number)
        self.claimant = None
        self.speaker.changed("node-status")
        self.speaker.role_changed()

    def job_is(self, state: str) -> None:
        """The job has another state."""
        assert self.job is not None
        self.job.state = state
        self.speaker.role_changed()

    def job_at(self, step: str) -> None:
        """The job is at a step, which is reported when it is new [ORD-16]."""
        assert self.job is not None
        if self.job.step != step:
            self.job.step = step
            self.report_job()

    def answer_job(self, act: str, reason: str = "") -> None:
        """The state of the job, to an order with this act: its own, or a cancel [ORD-06, ORD-17]."""
        job = self.job
        assert job is not None
        report = {"id": job.id, "order_boot": self.boot, "act": act, "state": job.state}
        if job.is_open() and job.step:
            report["step"] = job.step
        if reason or job.reason:
            report["reason"] = reason or job.reason
        if job.box:
            report["box"] = job.box
        load = self.role.load()
        if load:
            report["load"] = load
        self.speaker.say("job-report", report)

    def report_job(self) -> None:
        """Every change of the job's state and step is reported when it happens [ORD-16]."""
        assert self.job is not None
        self.answer_job(self.job.act)

    def finish(self) -> None:
        """What was asked is so."""
        self.job_is("done")
        self.report_job()

    def motor_started(self) -> None:
        """A motor was switched on [BEN-03]."""
        self.starts += 1
        if self.bench:
            self.speaker.changed("node-status")

    def stands(self) -> None:
        """It has come to stand, or was found standing: for a while its sensors may still change [BER-10, SHT-07]."""
        self.settled_ms = self.now_ms + SETTLING_MS

    def was_pushed(self, sensor: str) -> bool:
        """A sensor changed where nothing was ordered: it was pushed, and is lost."""
        if self.now_ms < self.settled_ms:
            return False
        self.faults.halt("input-lost", sensor)
        return True

    def is_quiet(self) -> bool:
        """Whether nothing moves, waits or has to be told, so that the next round may come later."""
        return not (self.role.is_moving() or self.inputs.is_waiting() or self.job_open() or self._bad_waits)

    # ------------------------------------------------------------ time

    def _power_lost(self) -> None:
        """Nobody knows any more where anything is [FLT-06]."""
        self.role.power_lost()
        self.faults.halt("power-lost")

    def _feel(self, at_ms: int, sensor: str, closed: bool) -> None:
        if sensor == "motor-power":
            lost = self.power and not closed
            self.power = closed
            if lost:
                self._power_lost()
        else:
            self.inputs.feel(at_ms, sensor, closed)

    def _pass_time(self) -> None:
        """Bring everything forward to now, one input after the other, of a tester or of the pins."""
        now_ms = self.board.clock_ms()
        edges = self.inputs.due(now_ms) if self.bench else self.board.edges()
        for at_ms, sensor, closed in edges:
            self._step_to(at_ms)  # What was felt before is believed first, and acted on.
            self._feel(at_ms, sensor, closed)
        self._step_to(now_ms)

    def _step_to(self, at_ms: int) -> None:
        """Go on to `at_ms`, which may be a little ago for an edge that an interrupt has noted."""
        self.now_ms = max(at_ms, self.now_ms)
        self.inputs.settle(at_ms)
        self._end_late_job()
        self._run_role()

    def _run_role(self) -> None:
        """Let the role do one thing after the other, each told before the next [MSG-01]."""
        while self.role.tick():
            self.speaker.tell_changes()
        self.speaker.tell_changes()

    def _end_late_job(self) -> None:
        """What has not started by its deadline never starts, held or not [ORD-23]."""
        job = self.job
        if job is not None and job.state == "accepted" and after(self.uptime(), job.deadline):
            job.reason = "late"
            self.job_is("failed")
            self.role.cancel()
            self.report_job()

    def _start_job(self) -> None:
        if self.job is not None and self.job.state == "accepted" and not self.held:
            self.speaker.tell_changes()
            self.job_is("running")
            self.role.begin()
            self._run_role()

    def _raise_bad_message(self) -> None:
        """At most one fault in `bad_message_gap`, whatever comes [ENC-11]."""
        if self._bad_waits and (self._bad_ms is None or self.now_ms - self._bad_ms >= BAD_MESSAGE_GAP_MS):
            self._bad_waits, self._bad_ms = False, self.now_ms
            self.faults.warn("bad-message")


def _role_of(node: Node):
    """The machine of the role; only its own module is loaded."""
    if node.role_name == "crane":
        from .crane import Crane

        return Crane(node)
    if node.role_name == "berth":
        from .berth import Berth

        return Berth(node)
    from .shuttle import Shuttle

    return Shuttle(node)
