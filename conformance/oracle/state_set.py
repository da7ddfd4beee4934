"""Everything that a node may be at this moment, and whether what it says lies in what it may say.

The relation is ioco, input-output conformance (J. Tretmans, "Model based testing with labelled transition systems",
2008): after every trace of the specification, what the implementation puts out, silence counted, is a subset of what
the specification may put out. The states here are those that the specification may be in after the trace; an output
that none of them allows is a breach, and one that some allow leaves those.

An order on its way leaves both open: that it was handled, and that it was not yet. Orders are handled in their order
[ORD-02], so each state says how many.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from conformance.oracle.answers import (
    Mismatch,
    is_answer,
    named,
    not_allowed,
    outcome_of,
    words,
    wrong_claimant,
)
from conformance.oracle.node_state import (
    ENDED,
    NodeState,
    Outcome,
    Owed,
    distinct,
    reached,
    united,
)
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_effects import handled
from conformance.oracle.state_words import StateWords
from protocol.counting import uptime_difference
from protocol.specification import OPEN, STATE_MESSAGES, specification

Body = Mapping[str, Any]
MOST = 24
"""States kept apart; beyond that those alike become one, and less is said."""
WIDEST = 320
"""States looked at for one message; beyond that nothing is said until the answer to a later ask."""
GIVEN = 512
"""Orders whose names are kept."""

Next = NodeState | Mismatch


class StateSet:
    """What a node may be in one boot."""

    def __init__(self, judged: Judged, counted: Counter[str]) -> None:
        """`counted` takes how often each requirement was judged."""
        self._judged, self._counted = judged, counted
        topics = specification().topics
        self._topics = [one for one in STATE_MESSAGES if set(topics[one].roles) & set(judged.node.roles)]
        self._seen: set[str] = set()
        """What was judged of the message at hand."""
        self._queue: list[Arrived] = []
        self._first = 0
        """How many orders stand before those in the queue."""
        self.states: list[NodeState] = [self._unknown(0)]
        self.boot = -1
        self._forgiven = -1
        """Orders up to this trace number may be answered or not: a breach was told, and what followed is not known."""
        self._step = ""
        self._passed_over: Mismatch | None = None
        """Why a state message was none of those that an ask is answered with."""
        self._given: dict[tuple[str, int | None], int] = {}
        """Trace number of the newest order by its act and the id or token that its report carries."""
        self.minor: int | None = None
        self.came = False
        """Whether an order came in this boot."""
        self.steady = True
        """Whether no sensor of the tester may still change."""
        self.uptime_known = True
        self._widened = False
        """Whether the states were too many: what waited then may be handled at any time, until a fence is answered."""
        self._fences: dict[int, int] = {}
        """Of each ask that came since: how many orders are handled once it is answered, by its token."""

    def _unknown(self, done: int) -> NodeState:
        return NodeState(handled=done, roles=(None,) * len(self._judged.node.roles))

    @property
    def end(self) -> int:
        """How many orders came by now."""
        return self._first + len(self._queue)

    @property
    def sure(self) -> bool:
        """Whether all that orders are checked against is known, and nothing is on its way."""
        one = self.states[0]
        return len(self.states) == 1 and not self.waiting and None not in (one.mark, one.held, one.job)

    @property
    def waiting(self) -> bool:
        """Whether an answer may still be owed."""
        return self._widened or any(one.owed or one.handled < self.end for one in self.states)

    def newest(self) -> NodeState:
        """The node with all handled that came, one way that it may have gone."""
        newest = self.states[0]
        for order in self._queue[newest.handled - self._first :]:
            newest = handled(newest, order, self._judged, self.boot)[-1]
        return newest

    @property
    def backlog(self) -> int:
        """How many orders are surely still without their answer."""
        return min(self.end - one.handled + len(one.owed) for one in self.states)

    # ---- what happens to the node

    def begin(self, boot: int, *, fresh: bool) -> None:
        """The node speaks in a boot that is new here; `fresh`: it can have handled nothing in it but what waits."""
        self.boot, self._step, self.came = boot, "", bool(self._queue)
        states = self._unknown(self._first)
        if fresh and not self._widened:
            roles = tuple(
                frozenset({specification().tables[role].initial}) for role in self._judged.node.roles
            )
            states = states._replace(
                mark=0, claimant=None, held=False, holds=0, hold_token=None, job=0, arrivals=0, roles=roles
            )
        self.states = [states]

    def arrived(self, order: Arrived) -> None:
        """An order has come to the node, which handles it sooner or later."""
        if self._widened and len(self._queue) >= WIDEST:
            self._widen()
        if self._widened and order.act == "ask" and ("ask", order.body["token"]) not in self._given:
            self._fences[order.body["token"]] = self.end + 1
        self._queue.append(order)
        self.came = True
        if order.act:
            for under in {order.under, order.body.get("id"), order.body.get("token")} - {None}:
                self._given[order.act, under] = order.number
            while len(self._given) > GIVEN:
                del self._given[next(iter(self._given))]

    def reconnected(self) -> None:
        """The connection was lost and is back: what was on its way was handled or lost, and so were the reports."""
        every = [one._replace(handled=self.end, owed=()) for one in self._ahead()]
        self._forgive()
        self._widened = False
        self._keep(every)

    def doubt(self) -> None:
        """So many orders came at once that each of those that wait may be lost [ORD-19]."""
        self._queue = [replace(one, sure=False) for one in self._queue]
        self._forgive()
        self._keep([*self.states, *(one._replace(owed=()) for one in self.states)])

    def forget(self) -> None:
        """Nothing is known any more; what was sent may or may not be answered."""
        self._forgive()
        self.states = [self._unknown(self.end)]
        self._trim()

    def lost_some(self) -> None:
        """Orders and what the node said may be lost, and nobody can tell which."""
        self._widen()

    def _widen(self) -> None:
        """Too much is open: nothing is known, and what waits may yet be handled; a later ask is a fence [ORD-02]."""
        self.forget()
        self._widened = True
        self._fences.clear()

    def _fenced(self, body: Body) -> None:
        """An ask that came after the states were too many is answered: all that came before it is handled."""
        past = self._fences.get(body["token"]) if body["act"] == "ask" else None
        if past is None:
            return
        self._widened = False
        self._forgiven = max(self._forgiven, self._queue[past - 1 - self._first].number)
        self.states = [self._unknown(past)]
        self._trim()

    def _forgive(self) -> None:
        self._forgiven = max(self._given.values(), default=self._forgiven)

    # ---- what the node says

    def report(self, body: Body) -> Mismatch | None:
        """Take in a report; gives why it may not be said, if so."""
        if self._widened:
            self._fenced(body)
            return None
        found = self._narrow(lambda state: (self._answer(state, body), self._progress(state, body)))
        self._step = str(body.get("step", self._step))
        return found

    def told(self, name: str, body: Body) -> Mismatch | None:
        """Take in a state message; gives why it may not be said, if so."""
        if self._widened:
            return None
        said = StateWords(self._judged, name, body, came=self.came, steady=self.steady, count=self._count)

        def after(state: NodeState) -> Next:
            found = said.over(state)
            if isinstance(found, Mismatch):
                if any(one.act == "ask" for one in state.owed):
                    self._passed_over = found
                return found
            return found.having_told(name)

        return self._narrow(lambda state: (after(state),))

    def overdue(self, at_ms: float, within_ms: float) -> Mismatch | None:
        """The node speaks at `at_ms`, and every order that came `within_ms` before must have been answered [ORD-01]."""
        due_ms = at_ms - within_ms
        if self._widened:
            return None
        if not any(one.owed for one in self.states) and not (self._queue and self._queue[0].at_ms < due_ms):
            return None
        every = [(one, self._late(one, due_ms)) for one in self._ahead()]
        in_time = [one for one, late in every if late is None]
        if in_time:
            self._keep(in_time)
            return None
        self.forget()
        return max((late for _, late in every if late is not None), key=_fits)

    def _late(self, state: NodeState, due_ms: float) -> Mismatch | None:
        owed = next((one for one in state.owed if one.at_ms < due_ms and one.number > self._forgiven), None)
        if owed is not None:
            return Mismatch(2, "ORD-01", f"no report to {owed.act!r} {named(owed)}")
        for order in self._queue[state.handled - self._first :]:
            if order.at_ms >= due_ms:
                return None
            if order.sure and order.readable:
                held = order.act == "hold"
                return Mismatch(
                    1, "HLD-01" if held else "ORD-01", f"nothing shows that {order.act!r} was handled"
                )
        return None

    # ---- narrowing

    def _narrow(self, ways: Callable[[NodeState], Iterable[Next]]) -> Mismatch | None:
        self._seen.clear()
        left: list[NodeState] = []
        wrong: list[Mismatch] = []
        every = self._ahead()
        if self._widened:
            return None
        for one in (one for state in every for one in ways(state)):
            if isinstance(one, Mismatch):
                wrong.append(one)
            else:
                left.append(one)
        if left:
            self._keep(left)
            self._counted.update(self._seen)
            return None
        told = max(wrong, key=_fits)
        if told.requirement == "ORD-03" and self._passed_over is not None:
            told = self._passed_over
        self._counted[told.requirement] += 1
        self.forget()
        return told

    def _ahead(self) -> list[NodeState]:
        """The states, and every one that they may have become by now for the orders that came.

        One order after the other, so that ways which meet again go on as one. More than `WIDEST` are widened.
        """
        levels: dict[int, list[NodeState]] = {}
        for state in self.states:
            levels.setdefault(state.handled, []).append(state)
        every: list[NodeState] = []
        for number in range(min(levels), self.end + 1):
            level = list(distinct(levels.pop(number, ())))
            if len(level) > MOST:
                level = united(level)
            every += level
            if len(every) > WIDEST:
                self._widen()
                return self.states
            if number < self.end:
                order = self._queue[number - self._first]
                after = levels.setdefault(number + 1, [])
                after += [new for one in level for new in handled(one, order, self._judged, self.boot)]
        return every

    def _keep(self, states: Iterable[NodeState]) -> None:
        kept = list(distinct(states))
        self.states = kept if len(kept) <= MOST else united(kept)
        self._trim()

    def _trim(self) -> None:
        if self._queue:
            past = min(one.handled for one in self.states) - self._first
            del self._queue[:past]
            self._first += past

    # ---- reports

    def _answer(self, state: NodeState, body: Body) -> Next:
        if not state.owed or not is_answer(state.owed[0], body):
            return self._unasked(state, body)
        owed = state.owed[0]
        outcome = outcome_of(owed, body)
        if wrong := self._wrong_answer(state, owed, outcome, body):
            return wrong
        if owed.act == "ask":
            self._passed_over = None
        self._count("ORD-01", "ORD-02", "ORD-14", *([outcome.requirement] if outcome else []))
        if state.mark is not None:
            self._count("ORD-08")
        return self._after(state, owed, body)

    def _wrong_answer(
        self, state: NodeState, owed: Owed, outcome: Outcome | None, body: Body
    ) -> Mismatch | None:
        if owed.outcomes and outcome is None:
            return not_allowed(owed, body)
        if owed.act == "ask" and (lacks := [name for name in self._topics if name not in owed.told]):
            what = f"no {' and no '.join(lacks)} of then came before the report on ask {owed.token}"
            return Mismatch(4, "ORD-03", what)
        if outcome is not None and self._undone(state, owed, outcome):
            return self._left(state, body)
        if None not in (state.mark, owed.mark) and body["mark"] not in (owed.mark, state.mark):
            what = f"the report on {owed.act} {named(owed)} says mark {body['mark']}, and it is {owed.mark}"
            return Mismatch(5, "ORD-08", what)
        if self._tells_claimant(body):
            return wrong_claimant(owed, body)
        return self._wrongly_late(owed, outcome, body)

    def _tells_claimant(self, body: Body) -> bool:
        if body["act"] != "claim" or body["state"] != "done":
            return False
        return "CLM-05" in specification().at(self.minor).requirements

    def _after(self, state: NodeState, owed: Owed, body: Body) -> NodeState:
        mark = body["mark"] if state.mark is None else state.mark
        state = state._replace(owed=state.owed[1:], mark=mark)
        of_job = not owed.begins and _tells_of_job(state, owed)
        if of_job and body["state"] in reached(state.job_states):
            state = state._replace(job_states=frozenset({body["state"]}))
        return state

    def _undone(self, state: NodeState, owed: Owed, outcome: Outcome) -> bool:
        """Whether the answer tells of the job what it was neither when it was looked at nor is by now."""
        if not _tells_of_job(state, owed) or outcome.state == "refused":
            return False
        now = state.job_states
        return outcome.state not in reached(now) and not now & reached(frozenset({outcome.state}))

    def _wrongly_late(self, owed: Owed, outcome: Outcome | None, body: Body) -> Mismatch | None:
        """ORD-10: the report was said behind the check, so its uptime is no earlier."""
        if outcome is None or outcome.reason != "late" or owed.deadline is None or not self.uptime_known:
            return None
        left = uptime_difference(owed.deadline, body["uptime"])
        if left <= 0:
            return None
        wraps = owed.deadline < body["uptime"]
        where = ", beyond the wrap of uptime" if wraps else ""
        what = f"{owed.act} {owed.id} is refused as late {left} ms before the deadline{where}"
        return Mismatch(5, "ORD-11" if wraps else "ORD-10", what)

    def _progress(self, state: NodeState, body: Body) -> Next:
        """A change of the job's state or step [ORD-16], in a report of its own."""
        act, word = body["act"], body["state"]
        if state.job is None or state.act == "":
            return self._learnt(state, body)
        fits = act == state.act and body.get("id") == state.job and body.get("order_boot") == self.boot
        if not fits or any(one.begins for one in state.owed):
            return self._unasked(state, body)
        if word not in reached(state.job_states):
            return self._left(state, body)
        if state.mark is not None and body["mark"] != state.mark:
            what = f"the report on {act} {state.job} says mark {body['mark']}, and it is {state.mark}"
            return Mismatch(3, "ORD-08", what)
        self._count("ORD-15", "ORD-14")
        picked = self._step == "grip" and body.get("step") == "lift"
        return state._replace(
            job_states=frozenset({word}),
            mark=body["mark"],
            past_return=state.past_return or picked,
        )

    def _learnt(self, state: NodeState, body: Body) -> Next:
        """The job is not known: what a report says of one tells it, if it is of this boot."""
        of_job = body["act"] in specification().jobs and body["state"] != "refused"
        known = state.job in (None, body.get("id"))
        if not of_job or not known or body.get("order_boot") != self.boot:
            return self._unasked(state, body)
        if state.job and body["state"] not in reached(state.job_states):
            return self._left(state, body)
        return state._replace(job=body["id"], act=body["act"], job_states=frozenset({body["state"]}))

    def _left(self, state: NodeState, body: Body) -> Mismatch:
        word = body["state"]
        requirement = "ORD-06" if state.job_states <= ENDED and word in OPEN else "ORD-15"
        what = f"{body['act']} {state.job} was {words(state.job_states)} and is {word!r} now"
        return Mismatch(3, requirement, what)

    def _unasked(self, state: NodeState, body: Body) -> Next:
        given = self._given.get((body["act"], body.get("id", body.get("token"))))
        if given is not None and given <= self._forgiven:
            return state
        later = next((one for one in state.owed[1:] if is_answer(one, body)), None)
        first = state.owed[0] if state.owed else None
        if first is not None and later is not None and first.number > self._forgiven:
            return Mismatch(
                2, "ORD-01", f"no report to {first.act!r} {named(first)} before that to {later.act!r}"
            )
        order = f"{body['act']!r} {body.get('id', body.get('token'))}"
        return Mismatch(
            1, "ORD-14", f"a report to {order} for boot {body.get('order_boot')}, which answers nothing"
        )

    def _count(self, *requirements: str) -> None:
        self._seen.update(requirements)


def _fits(one: Mismatch) -> int:
    return one.fits


def _tells_of_job(state: NodeState, owed: Owed) -> bool:
    """Whether an answer with the job's id tells of the job; to a claim with the mark as its id it does not."""
    return bool(state.job) and owed.id == state.job and owed.act != "claim"
