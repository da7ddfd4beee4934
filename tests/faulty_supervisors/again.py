"""Supervisors that are wrong the second time, round the end of a count, after a refusal, or by what reports tell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.words import Words
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.faulty import faulty
from tests.faulty_supervisors.ownership import Sessions

Body = Mapping[str, Any]


class _First(Session):
    """Keeps what was said the first time at each place."""

    def word(self, message: str) -> Body | None:
        body = super().word(message)
        place = None if body is None else body.get("place", body.get("reading") and "track")
        if body is None or place is None:
            return body
        kept: dict[str, Body] = vars(self).setdefault("_kept", {})
        first = kept.setdefault(str(place), body)
        return {**body, **{key: first[key] for key in ("reading", "stop") if key in first}}


@faulty("SUP-13", "supervisor-second-arrival")
class NamesTheReadingOfTheFirstArrival(Sessions):
    class session_class(_First):  # noqa: N801
        pass


@faulty("SUP-13", "supervisor-back-at-a-stop")
class NamesTheFirstStopAtAPlace(Sessions):
    class session_class(_First):  # noqa: N801
        pass


class _Unsigned(Words):
    """Takes the greater uptime for the newer one."""

    def hear(self, message: str, body: Body) -> None:
        before = self.newest.get(message)
        if before is None or body["uptime"] >= before["uptime"]:
            self.newest[message] = body
        self.since_ask.add(message)
        self._behind.discard(message)


@faulty("SUP-13", "supervisor-uptime-wraps")
class ComparesUptimesAsNumbers(Sessions):
    class session_class(Session):  # noqa: N801
        def __init__(self, *args: Any, **named: Any) -> None:
            super().__init__(*args, **named)
            self._said = _Unsigned()

        def _new_boot(self, boot: int) -> None:
            super()._new_boot(boot)
            self._said = _Unsigned()


@faulty("SUP-16", "supervisor-refused")
class TakesARefusalForTheEnd(Supervisor):
    def outcome(self, sent: SentOrder) -> str:
        return "done" if sent.state == "refused" else sent.state


@faulty("SUP-17", "supervisor-box-by-report")
class BelievesNoReportOfTheSpreader(Supervisor):
    def outcome(self, sent: SentOrder) -> str:
        return "refused" if sent.state == "failed" else sent.state
