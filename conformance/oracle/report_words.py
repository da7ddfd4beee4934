"""A report against what the node may be: the answer that it owes first, or word of its job."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
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
from conformance.oracle.node_state import ENDED, NodeState, Outcome, Owed, reached
from protocol.counting import uptime_difference
from protocol.specification import OPEN, specification

Body = Mapping[str, Any]
Next = NodeState | Mismatch
GIVEN = 512
"""Orders whose names are kept."""


class ReportWords:
    """Reads reports of one boot, each against one state after the other."""

    def __init__(self, topics: Sequence[str], count: Callable[..., None]) -> None:
        """`topics` are the state messages that an ask is answered with; `count` takes what was judged."""
        self._topics, self._count = topics, count
        self.boot = -1
        self.minor: int | None = None
        self.uptime_known = True
        self.forgiven = -1
        """Orders up to this trace number may be answered or not: a breach was told, and what followed is not known."""
        self.passed_over: Mismatch | None = None
        """Why a state message was none of those that an ask is answered with."""
        self._step = ""
        self._given: dict[tuple[str, int | None], int] = {}
        """Trace number of the newest order by its act and the id or token that its report carries."""

    def begin(self, boot: int) -> None:
        """The node speaks in another boot."""
        self.boot, self._step = boot, ""

    def given(self, act: str, names: Iterable[int], number: int) -> None:
        """An order came that may be answered under these ids or tokens."""
        for under in names:
            self._given[act, under] = number
        while len(self._given) > GIVEN:
            del self._given[next(iter(self._given))]

    def knows(self, act: str, under: int) -> bool:
        """Whether such an order came."""
        return (act, under) in self._given

    def forgive(self) -> None:
        """Whatever came may be answered or not."""
        self.forgiven = max(self._given.values(), default=self.forgiven)

    def over(self, state: NodeState, body: Body) -> Iterator[Next]:
        """The ways to take a report in that state, each with what it makes of the state or why it may not be said."""
        yield self._answer(state, body)
        yield self._progress(state, body)

    def after(self, body: Body) -> None:
        """The report has been taken in."""
        self._step = str(body.get("step", self._step))

    def _answer(self, state: NodeState, body: Body) -> Next:
        if not state.owed or not is_answer(state.owed[0], body):
            return self._unasked(state, body)
        owed = state.owed[0]
        outcome = outcome_of(owed, body)
        if wrong := self._wrong_answer(state, owed, outcome, body):
            return wrong
        if owed.act == "ask":
            self.passed_over = None
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
        known = state.job in (None, body.get("id")) and state.mark in (None, body["mark"])
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
        if given is not None and given <= self.forgiven:
            return self._late_word(state, body)
        later = next((one for one in state.owed[1:] if is_answer(one, body)), None)
        first = state.owed[0] if state.owed else None
        if first is not None and later is not None and first.number > self.forgiven:
            return Mismatch(
                2, "ORD-01", f"no report to {first.act!r} {named(first)} before that to {later.act!r}"
            )
        order = f"{body['act']!r} {body.get('id', body.get('token'))}"
        boot = f" for boot {body['order_boot']}" if "order_boot" in body else ""
        return Mismatch(1, "ORD-14", f"a report to {order}{boot}, which answers nothing")

    def _late_word(self, state: NodeState, body: Body) -> Next:
        """A report that was given up: it may come all the same, and what it says of the present job must be so."""
        of_job = (state.job, state.act, self.boot) == (body.get("id"), body["act"], body.get("order_boot"))
        if of_job and body["state"] != "refused" and body["state"] not in reached(state.job_states):
            return self._left(state, body)
        return state


def _tells_of_job(state: NodeState, owed: Owed) -> bool:
    """Whether an answer with the job's id tells of the job; to a claim with the mark as its id it does not."""
    return bool(state.job) and owed.id == state.job and owed.act != "claim"
