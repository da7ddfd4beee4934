"""A state message against what the node may be: mark, hold, job, and the state of the machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from conformance.oracle.answers import Mismatch, words
from conformance.oracle.node_state import AT_REST, ENDED, NodeState, drifted, not_below, reached
from conformance.oracle.order_checks import Judged
from conformance.oracle.wording import in_words
from protocol.specification import OPEN, STATE_OF_ROLE

Body = Mapping[str, Any]
Next = NodeState | Mismatch
TABLE_OF = {"crane": "CRN-02", "berth": "BER-02", "shuttle": "SHT-02"}
UP_AS = {"crane": "CRN-01", "berth": "BER-01", "shuttle": "SHT-01"}


class StateWords:
    """One state message, read against one state after the other."""

    def __init__(
        self, judged: Judged, name: str, body: Body, *, came: bool, steady: bool, count: Callable[..., None]
    ) -> None:
        """`came`: an order came in this boot; `steady`: no sensor of the tester may still change."""
        self._judged, self._name, self._body = judged, name, body
        self._came, self._steady, self._count = came, steady, count

    def over(self, state: NodeState) -> Next:
        """The state with what the message says; else why it may not be said in that state."""
        body = self._body
        if self._name == "fault":
            return self._faults(state)
        if state.mark is not None and body["mark"] != state.mark:
            requirement = "ORD-08" if self._came else "CLM-04"
            what = f"the mark is {body['mark']}, and by what came it is {state.mark}"
            return Mismatch(_matches(state, body), requirement, what)
        if state.mark is not None:
            self._count("ORD-08")
        else:
            state = state._replace(mark=body["mark"])
        if self._name == "node-status":
            return state
        wrong = self._hold(state) or self._job(state)
        return wrong or self._role(self._taken(state))

    def _faults(self, state: NodeState) -> Next:
        body = self._body
        if state.faults is None or not_below(body["faults"], state.faults):
            return state._replace(faults=body["faults"])
        what = f"the count of faults is {body['faults']}, and it was {state.faults}"
        return Mismatch(1, "FLT-04" if self._came else "FLT-01", what)

    def _hold(self, state: NodeState) -> Mismatch | None:
        body = self._body
        if state.holds is not None and body["holds"] != state.holds:
            what = f"holds is {body['holds']}, and by the holds that came it is {state.holds}"
            return Mismatch(_matches(state, body), "HLD-01", what)
        if state.held is not None and body["held"] != state.held:
            # Where no hold was counted it is one that a resume should have ended.
            requirement = "HLD-01" if state.held and self._came else "HLD-05"
            said, due = in_words(body["held"]), in_words(state.held)
            what = f"held is {said}, and by the holds and resumes that came it is {due}"
            return Mismatch(_matches(state, body), requirement, what)
        if state.holds is not None:
            self._count("HLD-01")
        return None

    def _job(self, state: NodeState) -> Mismatch | None:
        body = self._body
        job, word = body.get("job", 0), body.get("job_state")
        if state.job is None:
            return None
        if job != state.job:
            what = f"its job is {job or 'none'}, and by what came it is {state.job or 'none'}"
            # A newer one is that of a refused order; that none or an older one is told is no order's doing.
            return Mismatch(_matches(state, body), "ORD-09" if job > state.job else "MSG-10", what)
        if job and word not in reached(state.job_states):
            again = state.job_states <= ENDED and word in OPEN
            what = f"its job {job} was {words(state.job_states)} and is {word!r} now"
            return Mismatch(_matches(state, body), "ORD-06" if again else "ORD-15", what)
        self._count("ORD-09", "MSG-10", *(["ORD-15"] if job else []))
        return None

    def _taken(self, state: NodeState) -> NodeState:
        """The state with what the message says of hold and job."""
        body = self._body
        job, word = body.get("job", 0), body.get("job_state")
        states = frozenset({str(word)} if job else ())
        if (state.held, state.holds, state.job, state.job_states) == (
            body["held"],
            body["holds"],
            job,
            states,
        ):
            return state
        return state._replace(held=body["held"], holds=body["holds"], job=job, job_states=states)

    def _role(self, state: NodeState) -> Next:
        name, body = self._name, self._body
        roles = self._judged.node.roles
        place = next((n for n, role in enumerate(roles) if STATE_OF_ROLE[role] == name), None)
        if place is None:
            return state
        role, word = roles[place], body.get("mode", body.get("state"))
        states = state.roles[place]
        if states is not None:
            if word not in drifted(role, states):
                requirement = TABLE_OF[role] if self._came else UP_AS[role]
                what = f"it is {word!r}, was {words(states)}, and nothing came that may change that"
                return Mismatch(_matches(state, body) + 1, requirement, what)
            self._count(TABLE_OF[role] if self._came else UP_AS[role])
        if role == "berth" and state.arrivals not in (None, body["arrival"]):
            what = f"the arrival count is {body['arrival']}, and by the admits that were accepted {state.arrivals}"
            return Mismatch(_matches(state, body) + 1, "BER-06", what)
        known = frozenset({word}) if word in AT_REST[role] and state.open is False else None
        if known != states:
            state = state._replace(roles=(*state.roles[:place], known, *state.roles[place + 1 :]))
        if role == "berth" and state.arrivals is None:
            state = state._replace(arrivals=body["arrival"])
        if role == "crane":
            load = body["load"] if known is not None and self._steady else None
            state = state if load == state.load else state._replace(load=load)
        return state


def _matches(state: NodeState, body: Body) -> int:
    """How many fields of a state message are as this state has them."""
    pairs = (
        (state.mark, body["mark"]),
        (state.held, body.get("held")),
        (state.holds, body.get("holds")),
        (state.job, body.get("job", 0)),
    )
    return sum(mine in (None, theirs) for mine, theirs in pairs)
