"""What an order does to a node by the table of checks and the requirements: every state and answer that may follow."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

from conformance.oracle.node_state import UNDER_WAY, NodeState, Outcome, Owed, States, reached
from conformance.oracle.order_checks import CHECKS, Arrived, Judged, narrowed
from protocol.counting import next_count
from protocol.specification import specification
from protocol.transition_table import Check

EVERY_JOB_STATE = frozenset({"accepted", "running", "done", "failed", "cancelled"})
DONE_BY = {"resume": "HLD-05", "reset-fault": "FLT-04", "stimulus": "BEN-02", "set-uptime": "BEN-04"}
BY_ROLE = ("state_forbids", "finding_unfit")
"""Checks with a requirement of the berth and one of the shuttle, in this order."""
BY_PLACE = {"run": "SHT-03", "transfer": "CRN-05"}
UNKNOWN = -1


class _Branch(NamedTuple):
    """One way that handling an order may take: the state then, and what the report says."""

    state: NodeState
    id: int | None
    outcome: Outcome
    begins: bool = False
    claimant: int | None = None


def handled(state: NodeState, order: Arrived, judged: Judged, boot: int) -> list[NodeState]:
    """Every state that the node may be in once it has handled `order`; each owes what it must report."""
    after = state._replace(handled=state.handled + 1)
    found: list[NodeState] = []
    if not order.sure or not order.readable:
        found.append(after)  # lost on its way, or an order that it cannot read [ENC-10]
    if order.readable is not False:
        found += _read(after, order, judged, boot)
    return found


def _read(state: NodeState, order: Arrived, judged: Judged, boot: int) -> list[NodeState]:
    if order.act == "hold":
        return _held(state, order.body.get("token"))
    groups: dict[tuple[NodeState, int | None, bool, int | None], set[Outcome]] = {}
    for one in _branches(state, order, judged, boot):
        key = one.state, one.id, one.begins, one.claimant
        groups.setdefault(key, set()).add(one.outcome)
    return [
        after._replace(
            owed=(
                *after.owed,
                Owed(
                    number=order.number,
                    at_ms=order.at_ms,
                    act=order.act,
                    id=id_,
                    token=order.body.get("token") if order.act == "ask" else None,
                    boot=order.body.get("boot"),
                    outcomes=frozenset(outcomes),
                    mark=after.mark,
                    begins=begins,
                    claimant=claimant,
                    deadline=order.body.get("deadline"),
                ),
            )
        )
        for (after, id_, begins, claimant), outcomes in groups.items()
    ]


def _held(state: NodeState, token: int | None) -> list[NodeState]:
    """HLD-01; a repeat of the hold before may be counted or not, as a SHOULD alone asks that it is not [HLD-08]."""
    holds = None if state.holds is None else next_count(state.holds)
    counted = state._replace(held=True, holds=holds, hold_token=token)
    repeat = token is not None and state.hold_token in (token, UNKNOWN)
    return [counted, state._replace(hold_token=token)] if repeat else [counted]


def _branches(state: NodeState, order: Arrived, judged: Judged, boot: int) -> Iterator[_Branch]:
    """Go through the checks in their order; where one may hold, both ways are gone."""
    if order.act == "ask":
        yield _Branch(state, None, Outcome("done", None, "ORD-03"))
        return
    before = state
    for check in specification().at(order.minor).order_checks:
        if check.name == "claim" and order.act == "claim":
            yield from _claimed(state, order)
            return
        if check.name == "raise-mark":
            raised = order.body["id"] if state.mark is None else max(state.mark, order.body["id"])
            state = state._replace(mark=raised, claimant=None)
            continue
        if check.name not in CHECKS:
            continue
        seen = before if check.name == "cancel_of_unseen" else state
        holds = CHECKS[check.name](seen, order, judged, boot)
        if holds is False:
            continue
        taken = state if holds else narrowed(check.name, state, order, judged, holds=True)
        yield from _decided(check, taken, order, judged)
        if holds:
            return
        state = narrowed(check.name, state, order, judged, holds=False)
    yield from _accepted(state, order, judged)


def _decided(check: Check, state: NodeState, order: Arrived, judged: Judged) -> Iterator[_Branch]:
    requirement = _requirement(check, order, judged)
    if check.does == "repeat":
        yield from _repeated(state, order, requirement)
    elif check.does == "cancel":
        yield from _cancelled(state, order, requirement)
    elif check.does == "cancelled":
        yield _Branch(state, order.under, Outcome("cancelled", None, requirement))
    else:
        yield _Branch(state, order.under, Outcome("refused", check.reason, requirement))


def _requirement(check: Check, order: Arrived, judged: Judged) -> str:
    """The requirement behind a check, of several that of the role whose act it is."""
    if check.name == "place_unknown":
        lacks = order.act == "transfer" and not {"reading", "stop"} & set(order.body)
        return "CRN-07" if lacks and _known_places(order, judged) else BY_PLACE.get(order.act, "CRN-05")
    berth = order.act in specification().acts_of("berth") and judged.node.berth is not None
    among = requirements_of(check.name)
    return among[0] if berth else among[-1]


def _known_places(order: Arrived, judged: Judged) -> bool:
    crane = judged.node.crane
    names = {order.body.get("from", order.body["to"]), order.body["to"]}
    return crane is not None and names <= set(crane.places)


@cache
def requirements_of(check: str) -> tuple[str, ...]:
    """The requirements behind a check: that of a berth and that of another node where they differ, else the first."""
    behind = tuple(specification().guards[check].requirements)
    return behind if check in BY_ROLE else behind[:1]


def _claimed(state: NodeState, order: Arrived) -> Iterator[_Branch]:
    """Above the mark it raises it, at the mark it is answered again, below it is too old [CLM-01, CLM-02, CLM-05]."""
    id_ = order.body["id"]
    if state.mark is None or id_ > state.mark:
        raised = state._replace(mark=id_, claimant=order.body.get("token"))
        yield _Branch(raised, id_, Outcome("done", None, "CLM-01"), claimant=raised.claimant)
    if state.mark is None:
        known = state._replace(mark=id_)
        yield _Branch(known, id_, Outcome("done", None, "CLM-02"), claimant=UNKNOWN)
        yield _Branch(state, id_, Outcome("refused", "stale", "CLM-02"))
    elif id_ == state.mark:
        yield _Branch(state, id_, Outcome("done", None, "CLM-02"), claimant=state.claimant)
    elif id_ < state.mark:
        yield _Branch(state, id_, Outcome("refused", "stale", "CLM-02"))


def _repeated(state: NodeState, order: Arrived, requirement: str) -> Iterator[_Branch]:
    """ORD-06: the job's state, whatever else the order carries."""
    states = reached(state.job_states) if state.job else EVERY_JOB_STATE
    if state.job is None:
        state = state._replace(job=order.body["id"], act="", job_states=EVERY_JOB_STATE, past_return=False)
    for word in states:
        yield _Branch(state, order.body["id"], Outcome(word, None, requirement))


def _cancelled(state: NodeState, order: Arrived, requirement: str) -> Iterator[_Branch]:
    """ORD-17: 'cancelled' if nothing was picked or moved past return, else the job's state."""
    states = reached(state.job_states) if state.job else EVERY_JOB_STATE
    job = order.body["ref"]
    if state.job is None:
        state = state._replace(job=job, act="", past_return=False)
    if "accepted" in states or ("running" in states and not state.past_return):
        yield _Branch(_as(state, "cancelled"), job, Outcome("cancelled", None, requirement))
    if "running" in states:
        yield _Branch(_as(state, "running"), job, Outcome("running", "too-late", requirement))
    for word in states - UNDER_WAY:
        yield _Branch(_as(state, word), job, Outcome(word, None, requirement))


def _as(state: NodeState, word: str) -> NodeState:
    return state._replace(job_states=frozenset({word}))


def _accepted(state: NodeState, order: Arrived, judged: Judged) -> Iterator[_Branch]:
    """The order is fit: a job begins, anything else is done at once."""
    body, id_ = order.body, order.body["id"]
    role = judged.role_of(order.act)
    if role is None:
        yield _Branch(_done(state, order, judged), id_, Outcome("done", None, DONE_BY[order.act]))
        return
    arrivals = state.arrivals
    if order.act == "admit" and arrivals is not None:
        arrivals = next_count(arrivals)
    begun = state._replace(
        job=id_,
        act=order.act,
        job_states=frozenset({"accepted"}),
        past_return=False,
        arrivals=arrivals,
        load=None,
        roles=(*state.roles[:role], None, *state.roles[role + 1 :]),
    )
    yield _Branch(begun, body["id"], Outcome("accepted", None, "ORD-15"), begins=True)


def _done(state: NodeState, order: Arrived, judged: Judged) -> NodeState:
    if order.act == "resume":
        return state._replace(held=False)
    if order.act == "stimulus":
        return state._replace(load=None)
    if order.act != "reset-fault":
        return state
    roles = (
        None if states is None else _reset(name, states, order)
        for name, states in zip(judged.node.roles, state.roles, strict=True)
    )
    return state._replace(roles=tuple(roles), load=None)


def _reset(role: str, states: States, order: Arrived) -> States:
    """What a reset-fault may make of a machine; another fault that stands may keep it where it is."""
    if role == "crane":
        return states | {"ready", "unhomed"} if "faulted" in states else states
    said = order.body.get("found") == "none" if role == "berth" else "place" in order.body
    known = "empty" if role == "berth" else "at-place"
    return states | {known} if "lost" in states and said else states
