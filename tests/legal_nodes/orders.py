"""Other ways to take orders, to go through a job, and to begin and end a fault."""

from __future__ import annotations

from typing import Any

from protocol.guards import Order
from reference_node.controller.controller import Controller
from reference_node.controller.faults import BadMessages
from reference_node.controller.job import Job
from tests.legal_nodes.legal import BERTH, CRANES, ON_BENCH, SHUTTLE, legal


class _StartsLater(Controller):
    after_ms = 0
    _starts_ms: int | None = None

    def begin(self, order: Order) -> None:
        self._starts_ms = self._now_ms + self.after_ms
        super().begin(order)

    @property
    def _waits(self) -> bool:
        return self._starts_ms is not None and self._now_ms < self._starts_ms

    def _start_job(self) -> None:
        if not self._waits:
            super()._start_job()

    def next_tick(self, now_ms: int) -> int | None:
        if not self._waits or self.job is None or self.job.state != "accepted":
            return super().next_tick(now_ms)
        held, self.held = self.held, True
        due = super().next_tick(now_ms)
        self.held = held
        return min(one for one in (due, self._starts_ms) if one is not None)


@legal()
class WarmsUpBeforeItStarts(_StartsLater):
    """Accepts a job, and starts it 400 ms later."""

    after_ms = 400


@legal()
class AnswersACancelOnce(_StartsLater):
    """A cancel that ends the job is answered under the job's id, and no second report says that it is cancelled."""

    after_ms = 400
    _answers = False

    def answer_with_job(self, order: Order, reason: str | None = None) -> None:
        self._answers = order["act"] == "cancel"
        super().answer_with_job(order, reason)
        self._answers = False

    def report_job(self) -> None:
        if not self._answers:
            super().report_job()


@legal()
class AcceptsLongBeforeItRuns(_StartsLater):
    """Accepts a job, and starts it 6 s later."""

    after_ms = 6_000


@legal()
class ReportsNoSteps(Controller):
    """Reports the states of a job, and no steps in between."""

    class job_class(Job):  # noqa: N801
        def report(self) -> dict[str, Any]:
            return {key: value for key, value in super().report().items() if key != "step"}

    _running = 0

    def step(self, step: str) -> None:
        if self.job is not None and self.job.id != self._running:
            self._running = self.job.id
            self.report_job()


@legal()
class ReportsStateAndStepApart(Controller):
    """Reports that a job runs before its first step."""

    _running = 0

    def step(self, step: str) -> None:
        if self.job is not None and self.job.id != self._running:
            self._running = self.job.id
            self.report_job()
        super().step(step)


@legal()
class TakesBadMessagesAsEnded(Controller):
    """Its 'bad-message' ends by itself a little later, and it says so."""

    _ends_ms: int | None = None

    def warn(self, code: str, part: str | None = None) -> None:
        super().warn(code, part)
        if code == "bad-message":
            self._ends_ms = self._now_ms + 300

    def _raise_bad_message(self) -> None:
        super()._raise_bad_message()
        if self._ends_ms is not None and self._now_ms >= self._ends_ms:
            self._ends_ms = None
            self.settle("bad-message")
            self._publish_state("fault")

    def next_tick(self, now_ms: int) -> int | None:
        due = super().next_tick(now_ms)
        return due if self._ends_ms is None else max(now_ms, min(self._ends_ms, due or self._ends_ms))


@legal()
class SaysBadMessagesSeldom(Controller):
    """Raises 'bad-message' at most once in 1.9 s."""

    class bad_messages_class(BadMessages):  # noqa: N801
        @property
        def due_ms(self) -> int | None:
            due = super().due_ms
            return due + 900 if due else due


@legal(modes=(ON_BENCH,))
class HasNoSenseOfMotorPower(Controller):
    """Has no line that tells whether the motors have power."""

    def _feel_power(self, present: bool) -> None:
        """There is none."""


@legal(modes=(ON_BENCH,))
class TakesPowerLostAsEndedByPower(Controller):
    """Its 'power-lost' ends when the power is back; where things are it does not know then either."""

    def _feel_power(self, present: bool) -> None:
        back = present and not self._motor_power
        super()._feel_power(present)
        if back:
            self.settle("power-lost")
            self._publish_state("fault")


@legal()
class NamesNoPart(Controller):
    """Says of a fault its code and no part."""

    def warn(self, code: str, part: str | None = None) -> None:
        super().warn(code)

    def _halt(self, raisers: Any, code: str, part: str | None) -> None:
        super()._halt(raisers, code, None)


@legal()
class CountsTwoStartsAMotion(Controller):
    """Counts each start of a motor twice: it has two of them in line."""

    def node_status(self) -> dict[str, Any]:
        body = super().node_status()
        return body | ({"starts": 2 * body["starts"] % 65536} if "starts" in body else {})


@legal(BERTH)
class NamesNoTrain(Controller):
    """Does not repeat which train it was told."""

    def body(self, message: str) -> dict[str, Any]:
        return {key: value for key, value in super().body(message).items() if key != "train"}


@legal(CRANES + SHUTTLE)
class GivesNoReasonForAFailure(Controller):
    """Says that a job has failed, and the cause in its fault alone."""

    class job_class(Job):  # noqa: N801
        def report(self) -> dict[str, Any]:
            said = super().report()
            return {key: value for key, value in said.items() if key != "reason" or value != "fault"}
