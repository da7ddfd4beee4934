"""An answer against the order that it answers, and the words for what does not fit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from conformance.oracle.node_state import Outcome, Owed
from conformance.oracle.order_effects import UNKNOWN
from protocol.specification import specification

Body = Mapping[str, Any]


class Mismatch(NamedTuple):
    """Why one state does not allow what the node says; of several the one with the highest `fits` is told."""

    fits: int
    requirement: str
    what: str


def is_answer(owed: Owed, body: Body) -> bool:
    """Whether a report names that order [ORD-14]."""
    if body["act"] != owed.act:
        return False
    if owed.act == "ask":
        return bool(body.get("token") == owed.token)
    return owed.id in (None, body.get("id")) and body.get("order_boot") == owed.boot


def outcome_of(owed: Owed, body: Body) -> Outcome | None:
    """Which of the answers that may be given a report gives; None where it gives no such answer."""
    state, reason = body["state"], body.get("reason")
    return next((one for one in owed.outcomes if one.state == state and one.reason in (None, reason)), None)


def not_allowed(owed: Owed, body: Body) -> Mismatch:
    """A report that answers an order as it may not be answered."""
    wanted = " or ".join(sorted({worded(one) for one in owed.outcomes}))
    said = worded(Outcome(body["state"], body.get("reason"), ""))
    what = f"{owed.act} {named(owed)} is answered {said} and must be {wanted}"
    return Mismatch(4, broken_by(owed, body), what)


def broken_by(owed: Owed, body: Body) -> str:
    """The requirement that a wrong answer goes against: where a new job is refused, that of the reason which it gives.

    Where a repeat, a claim or a resume is refused, what it asks for says more than a reason that belongs to jobs.
    """
    certain = [one for one in owed.outcomes if one.reason != "late"] or list(owed.outcomes)
    refusals = sorted(one for one in certain if one.state == "refused")
    if body["state"] == "refused" and len(refusals) < len(certain):
        behind = _behind_reason(str(body.get("reason", ""))) if owed.begins else ""
        return behind or min(certain).requirement
    return (refusals or sorted(certain))[0].requirement


def _behind_reason(reason: str) -> str:
    spec = specification()
    found = (check for check in spec.order_checks if check.reason == reason and reason)
    return next((spec.guards[check.name].requirements[0] for check in found), "")


def wrong_claimant(owed: Owed, body: Body) -> Mismatch | None:
    """CLM-05: whose claim raised the mark."""
    if owed.claimant == UNKNOWN or body.get("claimant") == owed.claimant:
        return None
    seen, token = (
        body.get("claimant", "none"),
        "no token" if owed.claimant is None else f"token {owed.claimant}",
    )
    return Mismatch(5, "CLM-05", f"the claimant is {seen}; the claim that raised the mark carried {token}")


def named(owed: Owed) -> str:
    """The token or id of an order."""
    return str(owed.token if owed.act == "ask" else owed.id)


def worded(one: Outcome) -> str:
    """State and reason of an answer."""
    return f"{one.state!r}" + (f" {one.reason!r}" if one.reason else "")


def words(states: Iterable[str]) -> str:
    """Several states."""
    return " or ".join(map(repr, sorted(states))) or "none"
