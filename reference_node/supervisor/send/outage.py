"""What becomes of orders when the bus falls: a person's word is for now, and jobs go on with a person's word alone."""

from __future__ import annotations

from typing import Protocol

from protocol.specification import specification
from reference_node.supervisor.observe.gap import AWAY, Gap
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.send.holds import Holds
from reference_node.supervisor.send.order_text import order_text


class Office(Protocol):
    """What an outage is about."""

    sessions: dict[str, Session]
    questions: list[Question]
    holds: Holds
    goals: list[Goal]
    was_owned: bool
    now_ms: int

    def note(self, what: str) -> None:
        """Write down what was decided."""


class Outage:
    """Whether the bus is there, and whether the work may go on after it was not."""

    def __init__(self, office: Office) -> None:
        self._office = office
        self.gap: Gap | None = None
        """From the fall of the bus until a person has said that the work may go on."""

    def begin(self) -> None:
        """The bus is away."""
        office = self._office
        office.note(AWAY)
        office.holds.unlink()
        for session in office.sessions.values():
            for sent in session.unlinked():
                self._not_repeated(session, sent, "was on its way when the bus fell")
            session.may_repeat = not office.was_owned
        if office.was_owned:
            self.gap = (self.gap or Gap(office.now_ms)).again(office.now_ms, self._open())
        office.questions[:] = [one for one in office.questions if one.about is not Ask.GAP]

    def end(self) -> None:
        """The bus is back: holds go out, and a person is asked about the rest."""
        self._office.holds.linked = True
        if self.gap is not None:
            self.gap.back_ms = self._office.now_ms
            self._office.note(f"the bus is back after {self.gap.took_s():.0f} s")

    def go_on(self) -> None:
        """What was open when the bus fell may go on, by a person's word."""
        self.gap = None
        for session in self._office.sessions.values():
            session.may_repeat = True
            if session.job is not None:
                session.job.news_ms = self._office.now_ms

    def withdraw_unanswered(self) -> None:
        """A node that comes back later does not find a person's word of long ago waiting."""
        most_ms = specification().timing["state_silence"].most or 0
        for session in self._office.sessions.values():
            for act in ("resume", "reset-fault"):
                late = [one for one in session.open.values() if one.act == act]
                if any(self._office.now_ms - one.news_ms > most_ms for one in late):
                    for sent in session.withdraw(act):
                        self._not_repeated(session, sent, f"was not answered within {most_ms // 1000} s")

    def _not_repeated(self, session: Session, sent: SentOrder, why: str) -> None:
        self._office.note(f"{session.name}: {sent.act} {why}; it is not sent again")
        if sent.act == "resume":
            self._office.holds.not_resumed(session.name, f"the resume {why}")

    def _open(self) -> list[str]:
        sessions = self._office.sessions.items()
        jobs = [f"{name}: {order_text(one.job.body)}" for name, one in sessions if one.job is not None]
        return [*jobs, *(f"goal: {goal}" for goal in self._office.goals)]
