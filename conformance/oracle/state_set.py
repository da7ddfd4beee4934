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
from math import inf
from typing import Any

from conformance.oracle.answers import (
    Mismatch,
    named,
)
from conformance.oracle.node_state import (
    NodeState,
    distinct,
    united,
)
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_effects import handled
from conformance.oracle.report_words import ReportWords
from conformance.oracle.state_words import StateWords
from protocol.specification import specification

Body = Mapping[str, Any]
MOST = 24
"""States kept apart; beyond that those alike become one, and less is said."""
WIDEST = 320
"""States looked at for one message; beyond that nothing is said until the answer to a later ask."""

Next = NodeState | Mismatch


class StateSet:
    """What a node may be in one boot."""

    def __init__(self, judged: Judged, counted: Counter[str]) -> None:
        """`counted` takes how often each requirement was judged."""
        self._judged, self._counted = judged, counted
        self._topics = specification().states_of(judged.node.roles)
        self._seen: set[str] = set()
        """What was judged of the message at hand."""
        self._queue: list[Arrived] = []
        self._first = 0
        """How many orders stand before those in the queue."""
        self.states: list[NodeState] = [self._unknown(0)]
        self.came = False
        """Whether an order came in this boot."""
        self.reports = ReportWords(self._topics, self._count)
        self.steady = True
        """Whether no sensor of the tester may still change."""
        self._widened = False
        """Whether the states were too many: what waited then may be handled at any time, until a fence is answered."""
        self._fences: dict[int, int] = {}
        """Of each ask that came since: how many orders are handled once it is answered, by its token."""

    def _unknown(self, done: int) -> NodeState:
        return NodeState(handled=done, roles=(None,) * len(self._judged.node.roles))

    @property
    def boot(self) -> int:
        """The boot that the node speaks in; -1 before it has said one."""
        return self.reports.boot

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
    def widened(self) -> bool:
        """Whether nothing is known but what waits."""
        return self._widened

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

    @property
    def waits_since_ms(self) -> float:
        """When the oldest order came that may still be without its answer; endless where there is none."""
        owed = [one.at_ms for state in self.states for one in state.owed]
        return min([one.at_ms for one in self._queue[:1]] + owed, default=inf)

    # ---- what happens to the node

    def begin(self, boot: int, *, fresh: bool) -> None:
        """The node speaks in a boot that is new here; `fresh`: it can have handled nothing in it but what waits."""
        self.reports.begin(boot)
        self.came = bool(self._queue)
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
        if self._widened and order.act == "ask" and not self.reports.knows("ask", order.body["token"]):
            self._fences[order.body["token"]] = self.end + 1
        self._queue.append(order)
        self.came = True
        if order.act:
            under = {order.under, order.body.get("id"), order.body.get("token")}
            self.reports.given(order.act, (one for one in under if one is not None), order.number)

    def reconnected(self, before_ms: float = inf) -> None:
        """The connection was lost and is back: what was on its way was handled or lost, and so were the reports.

        What came later than `before_ms` may have come over the new connection.
        """
        if self._widened and before_ms < inf:
            return  # for whom listens a new connection does not tell what has become of an order
        past = self._first + sum(one.at_ms < before_ms for one in self._queue)
        every = [one._replace(handled=max(one.handled, past), owed=()) for one in self._ahead()]
        self.reports.forgive()
        self._widened = False
        self._keep(every)

    def doubt(self) -> None:
        """So many orders came at once that each of those that wait may be lost [ORD-19]."""
        self._queue = [replace(one, sure=False) for one in self._queue]
        self.reports.forgive()
        self._keep([*self.states, *(one._replace(owed=()) for one in self.states)])

    def forget(self) -> None:
        """Nothing is known any more; what was sent may or may not be answered."""
        self.reports.forgive()
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

    def settle(self, before_ms: float) -> None:
        """Whatever came before an instant has been handled and answered by now, or never will be."""
        past = next((at for at, one in enumerate(self._queue) if one.at_ms >= before_ms), len(self._queue))
        if past:
            self.reports.forgiven = max(self.reports.forgiven, self._queue[past - 1].number)
        if self._widened:
            self._widened = False
            self.states = [self._unknown(self._first + past)]
            self._trim()
            return
        owed = [one.number for state in self.states for one in state.owed if one.at_ms < before_ms]
        if not past and not owed:
            return
        self.reports.forgiven = max([self.reports.forgiven, *owed])
        past += self._first
        every = [one for one in self._ahead() if one.handled >= past]
        self._keep(one._replace(owed=tuple(o for o in one.owed if o.at_ms >= before_ms)) for one in every)

    def _fenced(self, body: Body) -> None:
        """An ask that came after the states were too many is answered: all that came before it is handled."""
        past = self._fences.get(body["token"]) if body["act"] == "ask" else None
        if past is None:
            return
        self._widened = False
        self.reports.forgiven = max(self.reports.forgiven, self._queue[past - 1 - self._first].number)
        self.states = [self._unknown(past)]
        self._trim()

    # ---- what the node says

    def report(self, body: Body) -> Mismatch | None:
        """Take in a report; gives why it may not be said, if so."""
        if self._widened:
            self._fenced(body)
            return None
        found = self._narrow(lambda state: self.reports.over(state, body))
        self.reports.after(body)
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
                    self.reports.passed_over = found
                return found
            return found.having_told(name)

        return self._narrow(lambda state: (after(state),))

    def overdue(self, at_ms: float, within_ms: float) -> Mismatch | None:
        """The node speaks at `at_ms`, and every order that came `within_ms` before must have been answered [ORD-01]."""
        due_ms = at_ms - within_ms
        if self._widened or within_ms == inf:
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
        owed = next(
            (one for one in state.owed if one.at_ms < due_ms and one.number > self.reports.forgiven), None
        )
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
        if told.requirement == "ORD-03" and self.reports.passed_over is not None:
            told = self.reports.passed_over
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

    def _count(self, *requirements: str) -> None:
        self._seen.update(requirements)


def _fits(one: Mismatch) -> int:
    return one.fits
