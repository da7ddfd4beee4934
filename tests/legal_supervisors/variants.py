"""Other ways to ask, to claim, to repeat, to tell, and to stop."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any, ClassVar

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding, NodeSite, Site
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.send.messages import order_to
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.messages import Altering, read
from tests.faulty_supervisors.ownership import Body, Sessions
from tests.legal_supervisors.legal import LEGAL, legal


class _Paced(Supervisor):
    times: ClassVar[dict[str, int]] = {}

    def __init__(self, *args: Any, pace: Pace | None = None, **kwargs: Any) -> None:
        super().__init__(*args, pace=replace(pace or Pace(), **self.times), **kwargs)


# ---------------------------------------------------------------- time
@legal("supervisor-repeats", "supervisor-repeats-running")
class RepeatsAsSoonAsItMay(_Paced):
    """Sends again after 500 ms what was not answered."""

    times = {"repeat_ms": 500}  # noqa: RUF012


@legal("supervisor-repeats", "supervisor-repeats-running")
class RepeatsAsLateAsItMay(_Paced):
    """Sends again after 1.85 s what was not answered."""

    times = {"repeat_ms": 1_850}  # noqa: RUF012


@legal("supervisor-works", "supervisor-deadlines")
class GivesLittleTime(_Paced):
    """Sets its deadlines 4 s ahead."""

    times = {"lead_ms": 4_000}  # noqa: RUF012


@legal("supervisor-works", "supervisor-deadlines")
class GivesAsMuchTimeAsItMay(_Paced):
    """Sets its deadlines 30 s ahead."""

    times = {"lead_ms": 30_000}  # noqa: RUF012


@legal("supervisor-gives-up")
class GivesNothingUp(_Paced):
    """Waits for hours for the end of a job."""

    times = {"give_up_ms": 36_000_000}  # noqa: RUF012


@legal("supervisor-works", "supervisor-new-boot")
class TriesAgainLate(_Paced):
    """Leaves a node that has refused a job in peace for 20 s."""

    times = {"retry_ms": 20_000}  # noqa: RUF012


# ---------------------------------------------------------------- asks and claims
@legal("supervisor-old-answer", "supervisor-half-an-answer", "supervisor-tokens")
class AsksAgainAndAgain(Sessions):
    """Asks a node that it owns every three seconds, to be sure."""

    class session_class(Session):  # noqa: N801
        _last_ms = 0

        def due(self, now_ms: int) -> list[Body]:
            out = super().due(now_ms)
            if self.owned and now_ms - self._last_ms >= 3_000:
                self._last_ms = now_ms
                out.append({"act": "ask", "token": self._rng.getrandbits(32)})
            return out


@legal("supervisor-works", "supervisor-claim-ids", "supervisor-claim-tokens")
class ClaimsAnewForEveryFewOrders(Sessions):
    """Claims again as soon as it has given three orders and none is open."""

    class session_class(Session):  # noqa: N801
        def _claim_if_needed(self) -> None:
            used = self._highest - self.claim
            if self.owned and used >= 3 and not self.open:
                self._fire("claim", {"ids_left": 0, "reserve": 5, "open_orders": 0, "given_up": 0})
                self._begin_claim()
            else:
                super()._claim_if_needed()


@legal("supervisor-asks", "supervisor-owns-all")
class ClaimsOnceAllHaveAnswered(Supervisor):
    """Claims no node before every node has answered."""

    def new_session(self, node: NodeSite, rng: Random) -> Session:
        session = super().new_session(node, rng)
        session.may_claim = False
        return session

    def _work(self, now_ms: int) -> list[Publication]:
        for session in self.sessions.values():
            session.may_claim = all(one.first_answer is not None for one in self.sessions.values())
        return super()._work(now_ms)


@legal("supervisor-asks", "supervisor-hints")
class AsksOneNodeAfterTheOther(Sessions):
    """Asks its first node at once and each other one 700 ms after the one before."""

    class session_class(Session):  # noqa: N801
        waits_until_ms: int | None = None
        place = 0

        def due(self, now_ms: int) -> list[Body]:
            if self.waits_until_ms is None:
                self.waits_until_ms = now_ms + 700 * self.place
            return super().due(now_ms) if now_ms >= self.waits_until_ms else []

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for place, session in enumerate(self.sessions.values()):
            assert isinstance(session, AsksOneNodeAfterTheOther.session_class)
            session.place = place


# ---------------------------------------------------------------- reports
@legal("supervisor-strange-report")
class MindsNoActInAReport(Sessions):
    """Ends a job by any report with its id and boot: whatever act a repeat of it named, it tells that job's state."""

    class session_class(Session):  # noqa: N801
        def is_for(self, sent: SentOrder, report: Body) -> bool:
            return bool(report["order_boot"] == sent.boot)


@legal("supervisor-refused", "supervisor-stale")
class IsUnsureAfterARefusal(Supervisor):
    """Takes a box for unsure once an order about it was refused, though nothing has moved."""

    def outcome(self, sent: SentOrder) -> str:
        return "unknown" if sent.state == "refused" else sent.state


@legal("supervisor-replaced")
class RepeatsElsewhereWhenReplaced(Supervisor):
    """Once it has been replaced at a node it begins nothing more; at others it asks on and repeats what is open."""

    def _work(self, now_ms: int) -> list[Publication]:
        was, self.replaced = self.replaced, ""
        self.winding_up = self.winding_up or bool(was)
        out = super()._work(now_ms)
        self.replaced = self.replaced or was
        self.winding_up = bool(self.replaced)
        if was:
            out += [one for name in self.sessions for one in self._asks(name)]
        return out

    def _asks(self, name: str) -> list[Publication]:
        session = self.sessions[name]
        asked_ms: dict[str, int] = vars(self).setdefault("_asked_ms", {})
        if session.replaced or self.now_ms - asked_ms.get(name, 0) < 2_000:
            return []
        asked_ms[name] = self.now_ms
        return [order_to(self.site, session, {"act": "ask", "token": session._rng.getrandbits(32)})]


@legal("supervisor-replaced", "supervisor-keeps-hold")
class HoldsWhatItHasLost(Supervisor):
    """Holds a node at which it was replaced: whoever sees something wrong may."""

    _since_ms = 0
    _held = ""

    def _work(self, now_ms: int) -> list[Publication]:
        out = super()._work(now_ms)
        self._since_ms = self._since_ms or (now_ms if self.replaced else 0)
        if self.replaced and not self._held and now_ms - self._since_ms > 1_000:
            self._held = self.replaced
            self.hold(self.replaced, "it has been replaced there")
            out += self._holds_due()
        return out


# ---------------------------------------------------------------- what it writes
@legal("supervisor-messages", "supervisor-works")
class TellsItsMapsOften(Supervisor):
    """Publishes every yard-map again every two seconds."""

    _told_ms = 0

    def _maps_due(self) -> list[Publication]:
        if self.now_ms - self._told_ms >= 2_000:
            self._told_ms = self.now_ms
            self.yard_maps.shown.clear()
        return super()._maps_due()


def _keep_alive(seconds: int) -> Any:
    def change(site: Site) -> Site:
        nodes = {
            name: replace(node, keep_alive_s=seconds) if node.is_supervisor else node
            for name, node in site.nodes.items()
        }
        return replace(site, nodes=nodes)

    return change


@legal("supervisor-works", site=_keep_alive(2))
class AsksForTheShortestKeepAlive(Supervisor):
    """Asks for a keep-alive of 2 s."""


@legal("supervisor-works", "supervisor-writes-as-read")
class WritesJsonWhereItMay(Altering):
    """Writes JSON to a node that reads both."""

    def altered(self, message: str, publication: Publication) -> list[Publication]:
        node = self.site.nodes.get(publication.topic.split("/")[2])
        session = self.sessions.get(node.name) if node else None
        status = session.words.get("node-status", {}) if session else {}
        if message != "job-order" or node is None or status.get("reads", node.reads) != "both":
            return [publication]
        body = read("job-order", publication)
        return [replace(publication, payload=encode("job-order", body, Encoding.JSON))]


@legal("supervisor-works", "supervisor-connect-size")
class HasAnIdentifierOfItsOwn(Supervisor):
    """Its client identifier is not its name."""

    client_id = "board-17"


__all__ = ["LEGAL"]
