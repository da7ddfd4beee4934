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
from typing import Any, NamedTuple

from conformance.oracle.node_state import (
    AT_REST,
    ENDED,
    NodeState,
    Outcome,
    Owed,
    distinct,
    drifted,
    not_below,
    reached,
    united,
)
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_effects import UNKNOWN, handled
from protocol.counting import uptime_difference
from protocol.specification import OPEN, STATE_OF_ROLE, specification

Body = Mapping[str, Any]
MOST = 24
"""States kept apart; beyond that those alike become one, and less is said."""
GIVEN = 512
"""Orders whose names are kept."""
TABLE_OF = {"crane": "CRN-02", "berth": "BER-02", "shuttle": "SHT-02"}
UP_AS = {"crane": "CRN-01", "berth": "BER-01", "shuttle": "SHT-01"}


class Mismatch(NamedTuple):
    """Why one state does not allow what the node says; of several the one with the highest `fits` is told."""

    fits: int
    requirement: str
    what: str


Next = NodeState | Mismatch


class StateSet:
    """What a node may be in one boot."""

    def __init__(self, judged: Judged, counted: Counter[str]) -> None:
        """`counted` takes how often each requirement was judged."""
        self._judged, self._counted = judged, counted
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
        self._given: dict[tuple[str, int | None], int] = {}
        """Trace number of the newest order by its act and the id or token that its report carries."""
        self.minor: int | None = None
        self.came = False
        """Whether an order came in this boot."""
        self.steady = True
        """Whether no sensor of the tester may still change."""
        self.uptime_known = True

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
        return any(one.owed or one.handled < self.end for one in self.states)

    def newest(self) -> NodeState:
        """The node with all handled that came, one way that it may have gone."""
        return self._ahead(self.states[0])[-1]

    # ---- what happens to the node

    def begin(self, boot: int, *, fresh: bool) -> None:
        """The node speaks in a boot that is new here; `fresh`: it can have handled nothing in it but what waits."""
        self.boot, self._step, self.came = boot, "", bool(self._queue)
        states = self._unknown(self._first)
        if fresh:
            roles = tuple(frozenset({specification().tables[role].initial}) for role in self._judged.node.roles)
            states = states._replace(
                mark=0, claimant=None, held=False, holds=0, job=0, arrivals=0, roles=roles
            )
        self.states = [states]

    def arrived(self, order: Arrived) -> None:
        """An order has come to the node, which handles it sooner or later."""
        self._queue.append(order)
        self.came = True
        if order.act:
            for under in {order.under, order.body.get("id"), order.body.get("token")} - {None}:
                self._given[order.act, under] = order.number
            while len(self._given) > GIVEN:
                del self._given[next(iter(self._given))]

    def reconnected(self) -> None:
        """The connection was lost and is back: what was on its way was handled or lost, and so were the reports."""
        every = [one._replace(handled=self.end, owed=()) for state in self.states for one in self._ahead(state)]
        self._forgive()
        self._keep(every)

    def forget(self) -> None:
        """Nothing is known any more; what was sent may or may not be answered."""
        self._forgive()
        self.states = [self._unknown(self.end)]
        self._trim()

    def _forgive(self) -> None:
        self._forgiven = max(self._given.values(), default=self._forgiven)

    # ---- what the node says

    def report(self, body: Body) -> Mismatch | None:
        """Take in a report; gives why it may not be said, if so."""
        found = self._narrow(lambda state: (self._answer(state, body), self._progress(state, body)))
        self._step = str(body.get("step", self._step))
        return found

    def told(self, name: str, body: Body) -> Mismatch | None:
        """Take in a state message; gives why it may not be said, if so."""
        return self._narrow(lambda state: (self._state(state, name, body),))

    def overdue(self, at_ms: float, within_ms: float) -> Mismatch | None:
        """The node speaks at `at_ms`, and every order that came `within_ms` before must have been answered [ORD-01]."""
        due_ms = at_ms - within_ms
        if not any(one.owed for one in self.states) and not (self._queue and self._queue[0].at_ms < due_ms):
            return None
        every = [(one, self._late(one, due_ms)) for state in self.states for one in self._ahead(state)]
        in_time = [one for one, late in every if late is None]
        if in_time:
            self._keep(in_time)
            return None
        self.forget()
        return max((late for _, late in every if late is not None), key=_fits)

    def _late(self, state: NodeState, due_ms: float) -> Mismatch | None:
        owed = next((one for one in state.owed if one.at_ms < due_ms and one.number > self._forgiven), None)
        if owed is not None:
            return Mismatch(2, "ORD-01", f"no report to {owed.act!r} {_named(owed)}")
        for order in self._queue[state.handled - self._first :]:
            if order.at_ms >= due_ms:
                return None
            if order.sure and order.readable:
                held = order.act == "hold"
                return Mismatch(1, "HLD-01" if held else "ORD-01", f"nothing shows that {order.act!r} was handled")
        return None

    # ---- narrowing

    def _narrow(self, ways: Callable[[NodeState], Iterable[Next]]) -> Mismatch | None:
        self._seen.clear()
        left: list[NodeState] = []
        wrong: list[Mismatch] = []
        for state in self.states:
            for ahead in self._ahead(state):
                for one in ways(ahead):
                    if isinstance(one, Mismatch):
                        wrong.append(one)
                    else:
                        left.append(one)
        if left:
            self._keep(left)
            self._counted.update(self._seen)
            return None
        told = max(wrong, key=_fits)
        self._counted[told.requirement] += 1
        self.forget()
        return told

    def _ahead(self, state: NodeState) -> list[NodeState]:
        """The state, and every one that it may be in by now for the orders that came."""
        if state.handled == self.end:
            return [state]
        every, edge = [state], [state]
        for order in self._queue[state.handled - self._first :]:
            edge = list(distinct(new for one in edge for new in handled(one, order, self._judged, self.boot)))
            if len(edge) > MOST:
                edge = united(edge)
            every += edge
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
        if not state.owed:
            return self._unasked(state, body)
        owed = state.owed[0]
        if not _is_answer(owed, body):
            return self._unasked(state, body)
        outcome = _outcome(owed, body)
        if owed.outcomes and outcome is None:
            wanted = " or ".join(sorted({_worded(one) for one in owed.outcomes}))
            said = _worded(Outcome(body["state"], body.get("reason"), ""))
            requirement = _broken(owed, body)
            return Mismatch(4, requirement, f"{owed.act} {_named(owed)} is answered {said} and must be {wanted}")
        if outcome is not None and (wrong := self._wrongly_late(owed, outcome, body)):
            return wrong
        if None not in (state.mark, owed.mark) and body["mark"] not in (owed.mark, state.mark):
            what = f"the report on {owed.act} {_named(owed)} says mark {body['mark']}, and it is {owed.mark}"
            return Mismatch(5, "ORD-08", what)
        if self._tells_claimant(body) and (wrong := _claimant(owed, body)):
            return wrong
        self._count("ORD-01", "ORD-02", "ORD-14", *([outcome.requirement] if outcome else []))
        if state.mark is not None:
            self._count("ORD-08")
        return self._after(state, owed, body)

    def _tells_claimant(self, body: Body) -> bool:
        if body["act"] != "claim" or body["state"] != "done":
            return False
        return "CLM-05" in specification().at(self.minor).requirements

    def _after(self, state: NodeState, owed: Owed, body: Body) -> NodeState:
        mark = body["mark"] if state.mark is None else state.mark
        state = state._replace(owed=state.owed[1:], mark=mark)
        if not owed.begins and state.job and owed.id == state.job and body["state"] in reached(state.job_states):
            state = state._replace(job_states=frozenset({body["state"]}))
        return state

    def _wrongly_late(self, owed: Owed, outcome: Outcome, body: Body) -> Mismatch | None:
        """ORD-10: the report was said behind the check, so its uptime is no earlier."""
        if outcome.reason != "late" or owed.deadline is None or not self.uptime_known:
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
        what = f"{body['act']} {state.job} was {_words(state.job_states)} and is {word!r} now"
        return Mismatch(3, requirement, what)

    def _unasked(self, state: NodeState, body: Body) -> Next:
        given = self._given.get((body["act"], body.get("id", body.get("token"))))
        if given is not None and given <= self._forgiven:
            return state
        later = next((one for one in state.owed[1:] if _is_answer(one, body)), None)
        first = state.owed[0] if state.owed else None
        if first is not None and later is not None and first.number > self._forgiven:
            return Mismatch(2, "ORD-01", f"no report to {first.act!r} {_named(first)} before that to {later.act!r}")
        named = f"{body['act']!r} {body.get('id', body.get('token'))}"
        return Mismatch(1, "ORD-14", f"a report to {named} for boot {body.get('order_boot')}, which answers nothing")

    # ---- states

    def _state(self, state: NodeState, name: str, body: Body) -> Next:
        if name == "fault":
            return self._faults(state, body)
        if state.mark is not None and body["mark"] != state.mark:
            requirement = "ORD-08" if self.came else "CLM-04"
            what = f"the mark is {body['mark']}, and by what came it is {state.mark}"
            return Mismatch(_matches(state, body), requirement, what)
        if state.mark is not None:
            self._count("ORD-08")
        else:
            state = state._replace(mark=body["mark"])
        if name == "node-status":
            return state
        wrong = self._hold(state, body) or self._job(state, body)
        return wrong or self._role(self._taken(state, body), name, body)

    def _faults(self, state: NodeState, body: Body) -> Next:
        if state.faults is None or not_below(body["faults"], state.faults):
            return state._replace(faults=body["faults"])
        what = f"the count of faults is {body['faults']}, and it was {state.faults}"
        return Mismatch(1, "FLT-04" if self.came else "FLT-01", what)

    def _hold(self, state: NodeState, body: Body) -> Mismatch | None:
        if state.holds is not None and body["holds"] != state.holds:
            what = f"holds is {body['holds']}, and by the holds that came it is {state.holds}"
            return Mismatch(_matches(state, body), "HLD-01", what)
        if state.held is not None and body["held"] != state.held:
            requirement = "HLD-05" if state.held or not self.came else "HLD-01"
            what = f"held is {body['held']}, and by the holds and resumes that came it is {state.held}"
            return Mismatch(_matches(state, body), requirement, what)
        if state.holds is not None:
            self._count("HLD-01")
        return None

    def _job(self, state: NodeState, body: Body) -> Mismatch | None:
        job, word = body.get("job", 0), body.get("job_state")
        if state.job is None:
            return None
        if job != state.job:
            what = f"its job is {job or 'none'}, and by what came it is {state.job or 'none'}"
            return Mismatch(_matches(state, body), "ORD-09", what)
        if job and word not in reached(state.job_states):
            again = state.job_states <= ENDED and word in OPEN
            what = f"its job {job} was {_words(state.job_states)} and is {word!r} now"
            return Mismatch(_matches(state, body), "ORD-06" if again else "ORD-15", what)
        self._count("ORD-09", "MSG-10", *(["ORD-15"] if job else []))
        return None

    def _taken(self, state: NodeState, body: Body) -> NodeState:
        """The state with what the message says of hold and job."""
        job, word = body.get("job", 0), body.get("job_state")
        states = frozenset({word}) if job else frozenset()
        if (state.held, state.holds, state.job, state.job_states) == (body["held"], body["holds"], job, states):
            return state
        return state._replace(held=body["held"], holds=body["holds"], job=job, job_states=states)

    def _role(self, state: NodeState, name: str, body: Body) -> Next:
        roles = self._judged.node.roles
        place = next((n for n, role in enumerate(roles) if STATE_OF_ROLE[role] == name), None)
        if place is None:
            return state
        role, word = roles[place], body.get("mode", body.get("state"))
        states = state.roles[place]
        if states is not None:
            if word not in drifted(role, states):
                requirement = TABLE_OF[role] if self.came else UP_AS[role]
                what = f"it is {word!r}, was {_words(states)}, and nothing came that may change that"
                return Mismatch(_matches(state, body) + 1, requirement, what)
            self._count(TABLE_OF[role] if self.came else UP_AS[role])
        if role == "berth" and state.arrivals not in (None, body["arrival"]):
            what = f"the arrival count is {body['arrival']}, and by the admits that were accepted {state.arrivals}"
            return Mismatch(_matches(state, body) + 1, "BER-06", what)
        known = frozenset({word}) if word in AT_REST[role] and state.open is False else None
        if known != states:
            state = state._replace(roles=(*state.roles[:place], known, *state.roles[place + 1 :]))
        if role == "berth" and state.arrivals is None:
            state = state._replace(arrivals=body["arrival"])
        if role == "crane":
            load = body["load"] if known is not None and self.steady else None
            state = state if load == state.load else state._replace(load=load)
        return state

    def _count(self, *requirements: str) -> None:
        self._seen.update(requirements)


def _fits(one: Mismatch) -> int:
    return one.fits


def _is_answer(owed: Owed, body: Body) -> bool:
    """Whether a report names that order [ORD-14]."""
    if body["act"] != owed.act:
        return False
    if owed.act == "ask":
        return bool(body.get("token") == owed.token)
    return owed.id in (None, body.get("id")) and body.get("order_boot") == owed.boot


def _outcome(owed: Owed, body: Body) -> Outcome | None:
    state, reason = body["state"], body.get("reason")
    return next((one for one in owed.outcomes if one.state == state and one.reason in (None, reason)), None)


def _broken(owed: Owed, body: Body) -> str:
    """The requirement that a wrong answer goes against."""
    certain = [one for one in owed.outcomes if one.reason != "late"] or list(owed.outcomes)
    refusals = sorted(one for one in certain if one.state == "refused")
    if body["state"] == "refused" and len(refusals) < len(certain):
        behind = _behind_reason(body.get("reason", ""))
        return behind or sorted(certain)[0].requirement
    return (refusals or sorted(certain))[0].requirement


def _behind_reason(reason: str) -> str:
    spec = specification()
    found = (check for check in spec.order_checks if check.reason == reason and reason)
    return next((spec.guards[check.name].requirements[0] for check in found), "")


def _claimant(owed: Owed, body: Body) -> Mismatch | None:
    if owed.claimant == UNKNOWN or body.get("claimant") == owed.claimant:
        return None
    seen, wanted = body.get("claimant", "none"), "none" if owed.claimant is None else owed.claimant
    return Mismatch(5, "CLM-05", f"the claimant is {seen}, and of the claim that raised the mark it is {wanted}")


def _matches(state: NodeState, body: Body) -> int:
    """How many fields of a state message are as this state has them."""
    pairs = (
        (state.mark, body["mark"]),
        (state.held, body.get("held")),
        (state.holds, body.get("holds")),
        (state.job, body.get("job", 0)),
    )
    return sum(mine in (None, theirs) for mine, theirs in pairs)


def _named(owed: Owed) -> str:
    return str(owed.token if owed.act == "ask" else owed.id)


def _worded(one: Outcome) -> str:
    return f"{one.state!r}" + (f" {one.reason!r}" if one.reason else "")


def _words(states: Iterable[str]) -> str:
    return " or ".join(map(repr, sorted(states))) or "none"
