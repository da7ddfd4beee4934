"""One node as its supervisor knows it: ask, fence, claim, own, order, repeat, replaced.

A session reads what the node says and tells which orders are due; it knows no place and no box. Its states
are those of the table `belief`. Every rule is a small method of its own. A node whose word is in doubt is asked again
before anything else goes to it, a repeat included.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from protocol.counting import CLAIM_SPREAD, UPTIME_MODULUS, claim_id
from protocol.machine_guards import Facts, silence_ms
from protocol.specification import STATE_OF_ROLE, specification
from protocol.state_machine import StateMachine
from reference_node.supervisor.observe.known_node import Body, Event, KnownNode
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.words import Words

RESERVE = 5
"""Ids of a claim that are kept for cancels; below it the session claims again as soon as no job is open."""
OLD_MS = UPTIME_MODULUS // 4
"""An order as old as half of what a signed difference of uptimes spans is not sent again."""


class Session(KnownNode):
    """Asks, claims and orders one node, and takes what it says."""

    # ------------------------------------------------------------ what comes in
    def hear(self, message: str, body: Body, *, retain: bool, now_ms: int) -> None:
        """Take one readable message of this node; what it means comes out of `events`."""
        if self.replaced:
            if body.get("boot") == self.boot and not retain and message in self.words:
                self.words[message], self.spoke_ms = body, now_ms  # so that an obeyed hold shows still
            return
        if not self.believes(message, body, retain):
            self.hints[message] = body
            off = message == "node-status" and body.get("state") == "off"
            self._fire("off" if off else "message", {"message": body, "boot": self.boot})
            return
        boot = int(body["boot"])
        if self.boot is None:
            self.boot = boot
        elif boot != self.boot and not self.adopts(boot, message, body):
            self.hints[message] = body
            return
        self.mind_silence(now_ms)
        self._said.age(int(body["uptime"]))
        if "mark" in body:
            self._hear_mark(int(body["mark"]))  # first: what another supervisor's mark says ends all else
        if message == "job-report":
            self._hear_report(body, now_ms)
        else:
            self._hear_state(message, body, now_ms)

    def events(self) -> list[Event]:
        """What was found out since the last call, in order."""
        events, self._events = self._events, []
        return events

    def believes(self, message: str, body: Body, retain: bool) -> bool:
        """Retained messages and 'off' are hints and no more [SUP-10]."""
        return not retain and not (message == "node-status" and body.get("state") == "off")

    def adopts(self, boot: int, message: str, body: Body) -> bool:
        """Whether another boot is that of now: only the token of the newest ask shows it [SUP-28].

        Words of an old boot come late on another topic; and a node may draw a number again that it had before.
        """
        proven = message == "job-report" and body["act"] == "ask" and body.get("token") == self._token
        if proven:
            self._new_boot(boot)
        else:
            self._doubt("new-boot", {"proven": False})
        return proven

    def mind_silence(self, now_ms: int) -> None:
        """After a silence nothing but an ask is sent, a repeat neither, until it is answered [SUP-27].

        Beyond half the range of uptime a signed difference takes what is newer for older.
        """
        if self.spoke_ms is not None:
            self._silent(now_ms - self.spoke_ms)

    def _silent(self, for_ms: int | None) -> None:
        """Nothing was heard for so long; None where nothing can have been, as the bus was away."""
        if self.belief in ("answered", "claiming", "owned"):
            self._doubt("silence", {"silent_ms": for_ms, "silence_ms": silence_ms()})

    def _doubt(self, event: str, facts: Facts) -> None:
        before = self.belief
        self._fire(event, facts)
        if self.belief != before:
            self._token = self._asked_ms = None
            self._said.ask(again=True)

    def _hear_state(self, message: str, body: Body, now_ms: int) -> None:
        self._said.hear(message, body)
        self.heard_ms = self.spoke_ms = now_ms
        self._fire("message", {"message": body, "boot": self.boot})

    def _hear_mark(self, mark: int) -> None:
        """A mark above every id of ours is another's, once the node was ours in this boot [SUP-07]."""
        self.mark = max(self.mark, mark)
        if mark > self._highest and self._fire("higher-mark", {"owned_by": self.claim}) and self.replaced:
            self._events.append(Event("replaced"))

    def _new_boot(self, boot: int) -> None:
        """Another life of the node: nothing of the old one counts, and nothing is sent again [SUP-09]."""
        self.boot, self._said, self.mark = boot, Words(), 0
        self.claim = self._pending_claim = self._highest = 0
        self._fire("new-boot", {"proven": True})
        self._token = self._asked_ms = None
        if self.first_answer is not None:
            self._events.append(Event("new-boot"))
        self._orders_of_old_boot()

    def _orders_of_old_boot(self) -> None:
        for sent in list(self.open.values()):
            if sent.is_open:  # a cancel of a job is withdrawn with it
                sent.fire("new-boot")
                self._end(sent)

    # ------------------------------------------------------------ reports
    def _hear_report(self, report: Body, now_ms: int) -> None:
        act = report["act"]
        if act == "ask":
            self._hear_answer(report, now_ms)
        elif act == "claim":
            self._hear_claim(report)
        elif act == "cancel":
            self._hear_cancel(report, now_ms)
        else:
            sent = self.open.get(int(report["id"]))
            if sent is not None and self.is_for(sent, report):
                self._hear_outcome(sent, report, now_ms)

    def _hear_answer(self, report: Body, now_ms: int) -> None:
        """Only the report with our newest token, after all state messages, is the answer [SUP-06]."""
        wanted = {STATE_OF_ROLE[role] for role in self.node.roles if role in STATE_OF_ROLE}
        told_all = wanted | {"node-status", "fault"} <= self._said.since_ask
        if not self._fire("answer", {"report": report, "asked": self._token, "told_all": told_all}):
            return
        if self.owned and self.job is not None:
            self.job.news_ms = now_ms  # It is given up for what is not said, not for a silence.
        if self.belief != "answered":
            return
        if self.first_answer is None and self.boot is not None:
            self.first_answer = (self.boot, int(report["mark"]))
            self.first_uptime, self.first_answered_ms = self.uptime, now_ms
        self.mark = int(report["mark"])
        self._events.append(Event("answered"))

    def _hear_claim(self, report: Body) -> None:
        if int(report["id"]) != self._pending_claim or report["order_boot"] != self.boot:
            return
        facts = {
            "report": report,
            "claim": self._pending_claim,
            "claimant": self._claimant,
            "minor": self.minor,
        }
        if not self._fire("claim-report", facts):
            return
        if self.owned:
            self.claim, self._pending_claim = self._pending_claim, 0
            self._events.append(Event("owned"))
            self._give_up_now()
        elif self.belief == "asked":
            self._token = self._asked_ms = None

    def _hear_cancel(self, report: Body, now_ms: int) -> None:
        """The answer to a cancel comes under the job's id and tells the job's state [ORD-17]."""
        job = self.open.get(int(report["id"]))
        if job is None or report["order_boot"] != job.boot:
            return
        for sent in [sent for sent in self.open.values() if sent.body.get("ref") == job.id]:
            sent.fire("done")
            self._end(sent)
        self._hear_outcome(job, report, now_ms)

    def is_for(self, sent: SentOrder, report: Body) -> bool:
        """A report counts only for the open order with its id, boot and act [SUP-16]."""
        return bool(report["order_boot"] == sent.boot and report["act"] == sent.act)

    def _hear_outcome(self, sent: SentOrder, report: Body, now_ms: int) -> None:
        if sent.hear(report, now_ms) and not sent.is_open:
            self._said.settle(int(report["uptime"]))
            self._end(sent)

    def _end(self, sent: SentOrder) -> None:
        if self.open.pop(sent.id, None) is None:
            return
        if sent.is_job:
            self._withdraw(other for other in self.open.values() if other.body.get("ref") == sent.id)
        self._giving_up = [other for other in self._giving_up if other is not sent]
        self._events.append(Event("ended", sent))

    def unlinked(self) -> list[SentOrder]:
        """The bus is away: nothing counts as heard. Gives the orders that are not repeated: all but jobs."""
        self.heard_ms = None
        self._silent(None)
        return [one for act in ("resume", "reset-fault", "cancel") for one in self.withdraw(act)]

    def withdraw(self, act: str) -> list[SentOrder]:
        """Repeat no open order `act` any more; whether the node got it is not known. Gives those orders."""
        return self._withdraw(sent for sent in self.open.values() if sent.act == act)

    def _withdraw(self, orders: Iterable[SentOrder]) -> list[SentOrder]:
        found = list(orders)
        for sent in found:
            sent.fire("withdrawn")
            del self.open[sent.id]
        return found

    # ------------------------------------------------------------ what goes out
    def order(self, act: str, now_ms: int, **fields: Any) -> SentOrder:
        """A new order; it goes out with the next `due` and is repeated until its final report [SUP-05].

        Raises RuntimeError for a node that is not owned, that has a job already, or when the ids are used up.
        """
        is_job = act in specification().jobs
        if not self.owned or (is_job and self.job is not None):
            raise RuntimeError(f"{self.name}: {act} ordered while {self.belief}, open job {self.job}")
        body = self._body(act, self._next_id(), fields)
        machine = StateMachine(specification().tables["order_sent"], self.guards)
        sent = SentOrder(body, machine, news_ms=now_ms, given_ms=now_ms)
        self.open[sent.id] = sent
        return sent

    def draft(self, act: str, **fields: Any) -> dict[str, Any]:
        """The order as it would be sent now, without an id used up. Raises RuntimeError where the ids are."""
        if not self.ids_left():
            raise RuntimeError(f"{self.name}: the ids of claim {self.claim} are used up [SUP-03]")
        return self._body(act, self._highest + 1, fields)

    def _body(self, act: str, id_: int, fields: Mapping[str, Any]) -> dict[str, Any]:
        body: dict[str, Any] = {"boot": self.boot, "id": id_, "act": act, **fields}
        if act in specification().jobs:
            body["deadline"] = (self.uptime + self.pace.lead_ms) % UPTIME_MODULUS
        return body

    def cancel(self, job: SentOrder, now_ms: int) -> None:
        """Ask the node to end `job` if nothing was picked; once only however often it is called."""
        if job.is_open and not any(sent.body.get("ref") == job.id for sent in self.open.values()):
            self.order("cancel", now_ms, ref=job.id)

    def give_up(self, job: SentOrder) -> None:
        """Claim again, and take `job` for unknown once that is answered, never before [SUP-08]."""
        if job.is_open and job not in self._giving_up:
            self._giving_up.append(job)

    def give_up_silent(self, now_ms: int) -> None:
        """Give the open job up once there was no report about it for long, though the node is heard.

        And one that is so old that its deadline would seem to lie ahead again.
        """
        job = self.job
        if job is None or not self.owned or not self.reachable(now_ms):
            return
        if now_ms - job.news_ms > self.pace.give_up_ms or now_ms - job.given_ms > OLD_MS:
            self.give_up(job)

    def _give_up_now(self) -> None:
        for sent in list(self._giving_up):
            if sent.fire("given-up", {"order": sent.body, "claim": self.claim}):
                self._end(sent)

    def ids_left(self) -> int:
        """How many orders the claim is still good for [SUP-03]."""
        return self.claim + CLAIM_SPREAD - 1 - self._highest if self.claim else 0

    def _next_id(self) -> int:
        if not self.ids_left():
            raise RuntimeError(f"{self.name}: the ids of claim {self.claim} are used up [SUP-03]")
        self._highest += 1
        return self._highest

    def due(self, now_ms: int) -> list[Body]:
        """The orders to be sent now: asks, claims, and every order that waits for its final report."""
        if self.replaced:
            return []
        out: list[Body] = []
        if self.belief in ("unheard", "hinted"):
            self._fire("ask")
        self.mind_silence(now_ms)
        sent_ms = self._claimed_ms if self.belief == "claiming" else self._asked_ms
        if (
            self.belief in ("asked", "doubted", "claiming")
            and not self._to_send
            and self._is_due(sent_ms, now_ms)
        ):
            self._fire("repeat-time")
        if "ask" in self._to_send:
            self._token, self._asked_ms = self.draw_token(), now_ms
            self._said.ask(again=self.belief == "doubted")
            out.append({"act": "ask", "token": self._token})
        self._claim_if_needed()
        if "claim" in self._to_send:
            self._claimed_ms = now_ms
            out.append(
                {"act": "claim", "boot": self.boot, "id": self._pending_claim, "token": self._claimant}
            )
        self._to_send.clear()
        if self.belief in ("owned", "claiming"):
            out += self._orders_due(now_ms)
        return out

    def _claim_if_needed(self) -> None:
        """The first claim once the node has answered, a newer one for ids or for a job that is given up."""
        facts = {
            "ids_left": self.ids_left(),
            "reserve": RESERVE,
            "open_orders": len(self.open),
            "given_up": len(self._giving_up),
        }
        may = self.may_claim if self.belief == "answered" else self.owned
        if may and self._fire("claim", facts):
            self._begin_claim()

    def _begin_claim(self) -> None:
        self._pending_claim = claim_id(max(self.mark, self._highest), self._rng.getrandbits(12))
        self._highest = self._pending_claim
        self._claimant = self.draw_token()

    def draw_token(self) -> int:
        """32 random bits that are never used again [SUP-06]."""
        return self._rng.getrandbits(32)

    def _orders_due(self, now_ms: int) -> list[Body]:
        open_now = [sent for sent in self.open.values() if self.repeats(sent)]
        late = [sent for sent in open_now if self._is_due(sent.sent_ms, now_ms)]
        for sent in late:
            if sent.sent_ms is not None:
                sent.fire("repeat-time")
            sent.sent_ms = now_ms
        return [sent.body for sent in late]

    def repeats(self, sent: SentOrder) -> bool:
        """Whether an open order is sent again: no job that is given up, or that waits for a person's word [SUP-29]."""
        return not sent.is_job or (self.may_repeat and sent not in self._giving_up)

    def _is_due(self, last_ms: int | None, now_ms: int) -> bool:
        return last_ms is None or now_ms - last_ms >= self.pace.repeat_ms

    def _fire(self, event: str, facts: Facts | None = None) -> bool:
        """Take the row of the table for `event`, what it sends goes out with the next `due`; False where ignored."""
        row = self.machine.fire(event, facts)
        self._to_send |= set(row.sends if row is not None else ())
        return row is not None
