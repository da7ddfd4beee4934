"""Supervisors that are wrong at work: what they take for ended, for sure, for safe."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from protocol.counting import UPTIME_MODULUS
from protocol.machine_guards import MACHINE_GUARDS
from protocol.participant import Publication
from protocol.specification import specification
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.plan.next_step import Step
from reference_node.supervisor.send.holds import is_held, state_word
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.faulty import faulty, with_second_berth
from tests.faulty_supervisors.ownership import RepeatsIntoSilence, Ruled, Sessions

Body = Mapping[str, Any]


# ---------------------------------------------------------------- giving up, doubt


@faulty("SUP-08", "supervisor-gives-up")
class GivesUpWithoutAClaim(Sessions):
    class session_class(Session):  # noqa: N801
        def give_up(self, job: SentOrder) -> None:
            job.fire("given-up", {"order": job.body, "claim": job.id + 1})
            self._end(job)

    def doubt_after(self, node: str) -> None:
        """It takes the job for one that never began."""

    def outcome(self, sent: SentOrder) -> str:
        return "refused" if sent.state == "unknown" else sent.state


@faulty("SUP-08", "supervisor-gives-up")
class IsSureOfWhatItGaveUp(Supervisor):
    def doubt_after(self, node: str) -> None:
        """It takes the box for where it was."""

    def outcome(self, sent: SentOrder) -> str:
        return "refused" if sent.state == "unknown" else sent.state


@faulty("SUP-09", "supervisor-new-boot")
class IsSureAfterABoot(Supervisor):
    def doubt_after(self, node: str) -> None:
        """A reset changes nothing, it thinks."""


@faulty("SUP-09", "supervisor-new-boot")
class DoubtsOnlyTheBox(Supervisor):
    def doubt_after(self, node: str) -> None:
        """The rest of the stack stands where it stood, it thinks."""
        if node in self.inventory.spreaders:
            self.inventory.spreaders[node] = "?"
        for place in self.inventory.places_of(node):
            self.inventory.doubt_slot(Spot(place, 0))


@faulty("SUP-09", "supervisor-wrong-boot")
class SendsItAgainToTheNewBoot(Sessions):
    class session_class(Session):  # noqa: N801
        def _orders_of_old_boot(self) -> None:
            """The order was not done, it thinks."""

        def is_for(self, sent: SentOrder, report: Body) -> bool:
            return report.get("reason") != "wrong-boot" and super().is_for(sent, report)

        def due(self, now_ms: int) -> list[Body]:
            return super().due(now_ms) + (self._orders_due(now_ms) if self.belief == "asked" else [])


@faulty("SUP-09", "supervisor-stale")
class TakesStaleForNothingMoved(Sessions):
    class session_class(Session):  # noqa: N801
        guards = MACHINE_GUARDS | {"outcome_open": lambda facts: False, "nothing_moved": lambda facts: True}


# ---------------------------------------------------------------- maps, boxes


@faulty("SUP-11", "supervisor-old-map")
class BelievesAnyMap(Supervisor):
    def believes_map(self, place: str, kept: Body) -> bool:
        return True


@faulty("SUP-11", "supervisor-map-outrun")
class BelievesMapsByTheFirstAnswer(Supervisor):
    def believes_map(self, place: str, kept: Body) -> bool:
        marks = {node: (boot, mark) for node, boot, mark in kept["rests_on"]}
        return all(self.sessions[node].first_answer == marks[node] for node in self.inventory.rests_on(place))


class Gullible(Inventory):
    def _seen_elsewhere(self, box: str) -> bool:
        return False


@faulty("SUP-17", "supervisor-box-twice")
class BelievesInTwins(Supervisor):
    def new_inventory(self) -> Inventory:
        return Gullible(self.site)


@faulty("SUP-22", "supervisor-works")
class KeepsItsMapsToItself(Supervisor):
    """Writes each map once, and no change."""

    def _maps_due(self) -> list[Publication]:
        known = set(self.yard_maps.shown)
        return [one for one in super()._maps_due() if one.topic.rpartition("/")[2] not in known]


# ---------------------------------------------------------------- machines that could meet


@faulty("SUP-12", "supervisor-crane-busy")
class MovesUnderCranes(Ruled):
    class rules_class(Rules):  # noqa: N801
        def machines_beside(self, node: str, act: str) -> str:
            return ""


@faulty("SUP-12", "supervisor-job-slips-in")
class TrustsTheWordBeforeTheClaim(Sessions):
    class session_class(Session):  # noqa: N801
        def word(self, message: str) -> Body | None:
            return self.words.get(message)


@faulty("SUP-13", "supervisor-names-arrival")
class NamesTheArrivalBefore(Sessions):
    class session_class(Session):  # noqa: N801
        def word(self, message: str) -> Body | None:
            body = super().word(message)
            if body is None or body.get("state") != "at-rest":
                return body
            return {**body, "arrival": body["arrival"] - 1}


@faulty("SUP-13", "supervisor-names-arrival")
class NamesTheStopBefore(Sessions):
    class session_class(Session):  # noqa: N801
        def word(self, message: str) -> Body | None:
            body = super().word(message)
            return {**body, "stop": body["stop"] - 1} if body and "stop" in body else body


@faulty("SUP-13", "supervisor-train-lost")
class ForgetsThatATrainGotLost(Sessions):
    class session_class(Session):  # noqa: N801
        def word(self, message: str) -> Body | None:
            body = super().word(message)
            if body is not None and body.get("state") == "at-rest":
                self.rested = body
            lost = body is not None and message == "train-arrival" and body["state"] == "lost"
            return getattr(self, "rested", body) if lost else body


@faulty("SUP-21", "supervisor-silence")
class TakesSilenceForConsent(Ruled, RepeatsIntoSilence):
    class rules_class(Rules):  # noqa: N801
        def silent(self, node: str) -> str:
            return ""


@faulty("SUP-21", "supervisor-silence")
class WaitsTenPercentLonger(Sessions):
    class session_class(RepeatsIntoSilence.session_class):  # noqa: N801
        def reachable(self, now_ms: int) -> bool:
            return self.heard_ms is not None and now_ms - self.heard_ms <= 5_500


@faulty("SUP-23", "supervisor-one-reading", site=with_second_berth())
class GoesFromBerthToBerth(Supervisor):
    def start(self, step: Step) -> str:
        if step.act == "transfer" and step.fields["to"] == "siding":
            fields = {**step.fields, "from": "loop", "reading": 150}
            return super().start(Step(step.node, step.act, fields, step.carriage))
        return super().start(step)


# ---------------------------------------------------------------- holds, reports, deadlines, people


@faulty("SUP-14", "supervisor-keeps-hold")
class LiftsHoldsByItself(Supervisor):
    def _home(self) -> None:
        super()._home()
        for session in self.sessions.values():
            if (
                session.owned
                and session.name not in self.holds
                and is_held(session)
                and not session.open.keys() - {getattr(session.job, "id", 0)}
            ):
                session.order("resume", self.now_ms, holds=state_word(session, "holds"))


@faulty("SUP-14", "supervisor-holds-again")
class HoldsOnlyOnce(Supervisor):
    def _holds_due(self) -> list[Publication]:
        for own in self.holds.standing.values():
            if own.sent:
                return []
        return super()._holds_due()


@faulty("SUP-31", "supervisor-hold-tokens")
class HoldsAgainWithTheTokenOfBefore(Supervisor):
    def _holds_due(self) -> list[Publication]:
        for node, own in self.holds.standing.items():
            own.count = next(
                (int(word["holds"]) for word in self.sessions[node].words.values() if "holds" in word), None
            )
        return super()._holds_due()


@faulty("SUP-16", "supervisor-strange-report")
class TakesReportsOfAnotherBoot(Sessions):
    class session_class(Session):  # noqa: N801
        def is_for(self, sent: SentOrder, report: Body) -> bool:
            return bool(report["act"] == sent.act)


@faulty("SUP-16", "supervisor-strange-report")
class TakesReportsOfAnyId(Sessions):
    class session_class(Session):  # noqa: N801
        def _hear_report(self, report: Body, now_ms: int) -> None:
            job = self.job
            if job is not None and report["act"] == job.act:
                report = {**report, "id": job.id}
            super()._hear_report(report, now_ms)


@faulty("SUP-18", "supervisor-deadlines")
class SetsDeadlinesAMillisecondTooLate(Sessions):
    class session_class(Session):  # noqa: N801
        def order(self, act: str, now_ms: int, **fields: Any) -> SentOrder:
            sent = super().order(act, now_ms, **fields)
            if "deadline" in sent.body:
                lead_ms = specification().most_ms("order_lead") + 1
                sent.body = {**sent.body, "deadline": (self.uptime + lead_ms) % UPTIME_MODULUS}
            return sent


@faulty("SUP-19", "supervisor-lost-track")
class SendsPeopleUnderCranes(Ruled):
    class rules_class(Rules):  # noqa: N801
        def at_work(self, node: str, place: str) -> list[str]:
            return []


@faulty("SUP-25", "supervisor-holds-for-a-person")
class SendsPeopleToWhatIsNotHeld(Ruled):
    class rules_class(Rules):  # noqa: N801
        def not_held(self, node: str, place: str) -> list[str]:
            return []

        def let_go(self, node: str, place: str) -> list[str]:
            return []


@faulty("SUP-25", "supervisor-holds-for-a-person")
class HoldsOnlyWhatIsLost(Ruled):
    class rules_class(Rules):  # noqa: N801
        def reaching(self, node: str, place: str) -> frozenset[str]:
            return frozenset({node} - {""})


@faulty("SUP-24", "supervisor-word-of-before")
class BelievesAnyWord(Supervisor):
    def believes_word(self, place: str) -> bool:
        return True


@faulty("ENC-09", "supervisor-unknown-fields")
class ChokesOnUnknownFields(Supervisor):
    def receive(self, delivery: Any, now_ms: int) -> Sequence[Publication]:
        return (
            []
            if b"zz-new" in delivery.payload or b"\x18\x63" in delivery.payload
            else super().receive(delivery, now_ms)
        )
