"""Supervisors that are wrong about who may order: asks, claims, ids, repeats, tokens, hints."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from random import Random
from typing import Any, ClassVar

from conformance.suite.brief import TRAIN
from protocol.counting import CLAIM_SPREAD, CLAIM_STEP, claim_id
from protocol.machine_guards import MACHINE_GUARDS
from protocol.site import NodeSite
from protocol.specification import specification
from protocol.state_machine import Guards
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.goals import Admit
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.faulty import faulty

Body = Mapping[str, Any]


class Sessions(Supervisor):
    """A supervisor with sessions of another kind."""

    session_class: ClassVar[type[Session]] = Session

    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return self.session_class(node, rng, self.pace)


class Ruled(Supervisor):
    """A supervisor with other rules."""

    rules_class: ClassVar[type[Rules]] = Rules

    def new_rules(self, state: YardState) -> Rules:
        return self.rules_class(state)


# ---------------------------------------------------------------- ask, claim, own


@faulty("SUP-01", "supervisor-asks")
class ClaimsWithoutAnAnswer(Sessions):
    class session_class(Session):  # noqa: N801
        def _hear_state(self, message: str, body: Body, now_ms: int) -> None:
            super()._hear_state(message, body, now_ms)
            if self.belief == "asked":
                self._said.since_ask = {*specification().topics}
                self._hear_answer({"token": self._token, "mark": body.get("mark", 0)}, now_ms)


@faulty("SUP-01", "supervisor-asks")
class NeverClaims(Sessions):
    class session_class(Session):  # noqa: N801
        def _claim_if_needed(self) -> None:
            pass


@faulty("SUP-32", "supervisor-half-an-answer")
class TakesHalfAnAnswer(Sessions):
    class session_class(Session):  # noqa: N801
        def _hear_answer(self, report: Body, now_ms: int) -> None:
            self._said.since_ask = {*specification().topics}
            super()._hear_answer(report, now_ms)


@faulty("SUP-01", "supervisor-loses-claim")
class OwnsWhatItLost(Sessions):
    class session_class(Session):  # noqa: N801
        guards = MACHINE_GUARDS | {"mark_is_claim": lambda facts: True}

        def _hear_mark(self, mark: int) -> None:
            """It minds no mark."""

        def word(self, message: str) -> Body | None:
            return self.words.get(message)


@faulty("SUP-02", "supervisor-owns-all")
class OwnsOnlyWhatItMoves(Ruled):
    class rules_class(Rules):  # noqa: N801
        def not_owned(self, node: str) -> str:
            return "" if self._state.nodes[node].owned else f"{node} is not owned"

    def _settle(self) -> None:
        super()._settle()
        if (
            not self.was_owned
            and self.sessions["north"].has_reported()
            and self.sessions["siding"].has_reported()
        ):
            self.was_owned = True
            self.goals = [Admit("siding", TRAIN, ("", "", "")), *self.goals]  # It begins with what it owns.
            for place, row in self._contents.items():
                self.inventory.tell(place, row)


@faulty("SUP-15", "supervisor-bench")
class RunsWithABenchNode(Ruled):
    class rules_class(Rules):  # noqa: N801
        def bench(self) -> str:
            return ""


@faulty("SUP-20", "supervisor-other-digest")
class MindsNoDigest(Ruled):
    class rules_class(Rules):  # noqa: N801
        def other_tables(self, node: str) -> str:
            return ""


@faulty("SUP-15", "supervisor-bench")
class LooksForTheBenchAtItsStartOnly(Ruled):
    def new_rules(self, state: YardState) -> Rules:
        rules = super().new_rules(state)
        if self.was_owned:
            rules.bench = lambda: ""  # type: ignore[method-assign]
        return rules


@faulty("SUP-20", "supervisor-other-digest")
class LooksAtTheDigestAtItsStartOnly(Ruled):
    def new_rules(self, state: YardState) -> Rules:
        rules = super().new_rules(state)
        if self.was_owned:
            first = vars(self).setdefault(
                "_first", {node: rules.other_tables(node) for node in self.sessions}
            )
            rules.other_tables = lambda node: str(first[node])  # type: ignore[method-assign]
        return rules


# ---------------------------------------------------------------- ids


@faulty("SUP-03", "supervisor-claim-ids")
class SkipsAStep(Sessions):
    class session_class(Session):  # noqa: N801
        def _begin_claim(self) -> None:
            super()._begin_claim()
            self._pending_claim += CLAIM_STEP
            self._highest = self._pending_claim


@faulty("SUP-03", "supervisor-claim-ids")
class ClaimsAllAlike(Sessions):
    class session_class(Session):  # noqa: N801
        def _begin_claim(self) -> None:
            super()._begin_claim()
            self._pending_claim -= self._pending_claim % CLAIM_STEP
            self._highest = self._pending_claim


@faulty("SUP-03", "supervisor-claim-ids")
class ClaimsAnyNumber(Sessions):
    class session_class(Session):  # noqa: N801
        def _begin_claim(self) -> None:
            super()._begin_claim()
            self._pending_claim += 1
            self._highest = self._pending_claim


@faulty("SUP-03", "supervisor-claim-ids")
class TakesOneOrderTooMany(Sessions):
    """Marginal: its first order has the last of its 255 ids, and the second the 256th."""

    class session_class(Session):  # noqa: N801
        def ids_left(self) -> int:
            return CLAIM_SPREAD

        def _hear_claim(self, report: Body) -> None:
            super()._hear_claim(report)
            if self.claim and self._highest == self.claim:
                self._highest = self.claim + CLAIM_SPREAD - 2


@faulty("SUP-04", "supervisor-ids")
class GivesAnIdTwice(Sessions):
    class session_class(Session):  # noqa: N801
        def _next_id(self) -> int:
            self._highest = self.claim + 1
            return self._highest


@faulty("SUP-04", "supervisor-ids")
class CountsDown(Sessions):
    class session_class(Session):  # noqa: N801
        def _next_id(self) -> int:
            id_ = super()._next_id()
            return self.claim + CLAIM_SPREAD - (id_ - self.claim)

        def _hear_mark(self, mark: int) -> None:
            self.mark = max(self.mark, mark)


# ---------------------------------------------------------------- repeats and tokens


@faulty("SUP-05", "supervisor-repeats")
class NeverRepeatsAnAsk(Sessions):
    class session_class(Session):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            return [body for body in super().due(now_ms) if body["act"] != "ask" or self._once()]

        def _once(self) -> bool:
            before, self.asked = getattr(self, "asked", False), True
            return not before


@faulty("SUP-05", "supervisor-repeats")
class RepeatsTenPercentLate(Sessions):
    class session_class(Session):  # noqa: N801
        def _is_due(self, last_ms: int | None, now_ms: int) -> bool:
            return last_ms is None or now_ms - last_ms >= 2_200


@faulty("SUP-05", "supervisor-repeats")
class RepeatsTenPercentEarly(Sessions):
    def next_tick(self, now_ms: int) -> int | None:
        return now_ms + 10

    class session_class(Session):  # noqa: N801
        def _is_due(self, last_ms: int | None, now_ms: int) -> bool:
            return last_ms is None or now_ms - last_ms >= 450


@faulty("SUP-05", "supervisor-repeats")
class AsksAgainWithTheSameToken(Sessions):
    class session_class(Session):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            before = self._token
            out = super().due(now_ms)
            if before is not None and self._token != before:
                self._token = before
                return [{**body, "token": before} if body["act"] == "ask" else body for body in out]
            return out


@faulty("SUP-05", "supervisor-repeats")
class PutsTheDeadlineOff(Sessions):
    class session_class(Session):  # noqa: N801
        def _orders_due(self, now_ms: int) -> list[Body]:
            return [
                {**body, "deadline": self.uptime + self.pace.lead_ms} if "deadline" in body else body
                for body in super()._orders_due(now_ms)
            ]


@faulty("SUP-05", "supervisor-repeats-running")
class IsContentWithRunning(Sessions):
    class session_class(Session):  # noqa: N801
        def _orders_due(self, now_ms: int) -> list[Body]:
            running = {sent.id for sent in self.open.values() if sent.state != "open"}
            return [body for body in super()._orders_due(now_ms) if body["id"] not in running]


@faulty("SUP-06", "supervisor-tokens")
class CountsItsTokens(Sessions):
    class session_class(Session):  # noqa: N801
        count: ClassVar[int] = 0

        def due(self, now_ms: int) -> list[Body]:
            return [self._counted(body) for body in super().due(now_ms)]

        def _counted(self, body: Body) -> Body:
            if body["act"] != "ask":
                return body
            type(self).count += 1
            self._token = self.count
            return {**body, "token": self._token}


@faulty("SUP-06", "supervisor-tokens")
class UsesATokenAgain(Sessions):
    class session_class(Session):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            asking = self._token
            out = super().due(now_ms)
            if asking != self._token and self._token is not None:
                self._token = zlib.crc32(self.name.encode())
            return [{**body, "token": self._token} if body["act"] == "ask" else body for body in out]


@faulty("SUP-06", "supervisor-old-answer")
class TakesAnyAnswer(Sessions):
    class session_class(Session):  # noqa: N801
        guards = MACHINE_GUARDS | {"token_is_ours": lambda facts: facts["told_all"]}


# ---------------------------------------------------------------- replaced, hints


@faulty("SUP-07", "supervisor-replaced")
class GoesOnWhenReplaced(Sessions):
    class session_class(Session):  # noqa: N801
        def _hear_mark(self, mark: int) -> None:
            self.mark = max(self.mark, mark)


@faulty("SUP-33", "supervisor-replaced")
class GoesOnElsewhere(Supervisor):
    """Leaves only the node alone that it has lost."""

    def _take(self, session: Session, event: Any) -> None:
        super()._take(session, event)
        self.replaced = ""


@faulty("SUP-10", "supervisor-hints")
class ClaimsByHints(Sessions):
    class session_class(Session):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            out = super().due(now_ms)
            hint = next((body for body in self.hints.values() if "mark" in body), None)
            if out and self.boot is None and hint is not None:
                out.append({"act": "claim", "boot": hint["boot"], "id": claim_id(hint["mark"], 0)})
            return out


@faulty("SUP-10", "supervisor-off")
class EndsJobsByAnOff(Sessions):
    class session_class(Session):  # noqa: N801
        def believes(self, message: str, body: Body, retain: bool) -> bool:
            if not retain and body.get("state") == "off":
                for sent in list(self.open.values()):
                    self.end_by_hint(sent)
            return super().believes(message, body, retain)

        def end_by_hint(self, sent: SentOrder) -> None:
            sent.fire("failed")
            self._end(sent)


@faulty("SUP-30", "supervisor-same-number")
class OwnsWithAnyonesToken(Sessions):
    class session_class(Session):  # noqa: N801
        guards: ClassVar[Guards] = {**MACHINE_GUARDS, "claimant_is_other": lambda _facts: False}


@faulty("SUP-30", "supervisor-claim-tokens")
class ClaimsWithoutAToken(Sessions):
    class session_class(OwnsWithAnyonesToken.session_class):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            return [
                {key: value for key, value in body.items() if key != "token" or body["act"] == "ask"}
                for body in super().due(now_ms)
            ]


# ---------------------------------------------------------------- in doubt


@faulty("SUP-27", "supervisor-asks-after-silence")
class RepeatsIntoSilence(Sessions):
    class session_class(Session):  # noqa: N801
        def mind_silence(self, now_ms: int) -> None:
            """It is the same boot, it thinks."""


@faulty("SUP-27", "supervisor-asks-after-silence")
class AsksOnlyOnceItIsHeardAgain(Sessions):
    class session_class(Session):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            silent = self.spoke_ms is not None and now_ms - self.spoke_ms > 5_000
            return self._orders_due(now_ms) if silent else super().due(now_ms)


@faulty("SUP-28", "supervisor-late-boot")
class BelievesAnyBoot(Sessions):
    class session_class(Session):  # noqa: N801
        def adopts(self, boot: int, message: str, body: Body) -> bool:
            if boot != self.boot:
                self._new_boot(boot)
            return True


@faulty("SUP-29", "supervisor-gives-up")
class RepeatsWhatItGaveUp(Sessions):
    class session_class(Session):  # noqa: N801
        def due(self, now_ms: int) -> list[Body]:
            unknown = [sent.body for sent in getattr(self, "given", ()) if sent.state == "unknown"]
            return [*super().due(now_ms), *(unknown if now_ms % 1_000 < 100 else ())]

        def give_up(self, job: SentOrder) -> None:
            super().give_up(job)
            self.given = [job]
