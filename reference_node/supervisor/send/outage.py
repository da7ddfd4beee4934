"""What becomes of orders when the bus falls: a person's word is for now, and jobs go on with a person's word alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from protocol.specification import specification
from reference_node.supervisor.observe.gap import AWAY, Gap
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.send.holds import Holds
from reference_node.supervisor.send.order_text import order_text


class Outage:
    """Whether the bus is there, and whether the work may go on after it was not."""

    def __init__(self, sessions: Mapping[str, Session], holds: Holds, note: Callable[[str], None]) -> None:
        """`note` writes down what was decided."""
        self._sessions, self._holds, self._note = sessions, holds, note
        self.gap: Gap | None = None
        """From the fall of the bus until a person has said that the work may go on."""

    def begin(self, now_ms: int, goals: Sequence[Goal], *, all_owned: bool) -> None:
        """The bus is away. `goals` are open; before every node was owned once there is no work to go on with."""
        self._note(AWAY)
        self._holds.unlink()
        for session in self._sessions.values():
            for sent in session.unlinked():
                self._not_repeated(session, sent, "was on its way when the bus fell")
            session.may_repeat = not all_owned
        if all_owned:
            self.gap = (self.gap or Gap(now_ms)).again(now_ms, self._open(goals))

    def end(self, now_ms: int) -> None:
        """The bus is back: holds go out, and a person is asked about the rest."""
        self._holds.linked = True
        if self.gap is not None:
            self.gap = replace(self.gap, back_ms=now_ms)
            self._note(f"the bus is back after {self.gap.took_s():.0f} s")

    def go_on(self, now_ms: int) -> None:
        """What was open when the bus fell may go on, by a person's word."""
        self.gap = None
        for session in self._sessions.values():
            session.may_repeat = True
            if session.job is not None:
                session.job.news_ms = now_ms

    def withdraw_unanswered(self, now_ms: int) -> None:
        """A node that comes back later does not find a person's word of long ago waiting."""
        most_ms = specification().most_ms("state_silence")
        for session in self._sessions.values():
            for act in ("resume", "reset-fault"):
                late = [one for one in session.open.values() if one.act == act]
                if any(now_ms - one.news_ms > most_ms for one in late):
                    for sent in session.withdraw(act):
                        self._not_repeated(session, sent, f"was not answered within {most_ms // 1000} s")

    def _not_repeated(self, session: Session, sent: SentOrder, why: str) -> None:
        self._note(f"{session.name}: {sent.act} {why}; it is not sent again")
        if sent.act == "resume":
            self._holds.not_resumed(session.name, f"the resume {why}")

    def _open(self, goals: Sequence[Goal]) -> list[str]:
        sessions = self._sessions.items()
        jobs = [f"{name}: {order_text(one.job.body)}" for name, one in sessions if one.job is not None]
        return [*jobs, *(f"goal: {goal}" for goal in goals)]
