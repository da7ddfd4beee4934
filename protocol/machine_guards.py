"""The guards of the transition tables: small functions that answer and change nothing.

Each sees the facts of one event by name. What it asks stands in words and as a formula over the same names in
`v1/tables/guards.toml`, which a test holds to these functions. The checks of an order are in `protocol.guards`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from protocol.specification import specification

Facts = Mapping[str, Any]
"""What is known when the event happens, by name: a message, a machine, a count."""

SAYS_NOTHING = frozenset({"stale", "wrong-boot"})
"""Reasons of a refusal that do not say that nothing moved [ORD-20]."""


# ---------------------------------------------------------------- a job, seen by its node
def order_is_fit(facts: Facts) -> bool:
    """The check that decided on the order accepts it."""
    return bool(facts["check"].does == "accept")


def order_is_unfit(facts: Facts) -> bool:
    """The check that decided on the order refuses it."""
    return bool(facts["check"].does == "refuse")


def nothing_picked(facts: Facts) -> bool:
    """Nothing was picked or moved past return, so the cancel ends the job [ORD-17]."""
    return not facts["job"].past_return


def picked(facts: Facts) -> bool:
    """Something was picked or moved past return, so the job goes on [ORD-17]."""
    return bool(facts["job"].past_return)


# ---------------------------------------------------------------- machines
def every_axis_homed(facts: Facts) -> bool:
    """The fault left the position of every axis known [CRN-11]."""
    return bool(facts["crane"].every_axis_homed)


def an_axis_unhomed(facts: Facts) -> bool:
    """The fault left the position of an axis unknown, as a loss of motor power does [FLT-06]."""
    return not facts["crane"].every_axis_homed


def track_found_empty(facts: Facts) -> bool:
    """A person found nothing on the track; only a person can see that [BER-07]."""
    return bool(facts["order"].get("found") == "none")


def place_found(facts: Facts) -> bool:
    """A person says at which place the shuttle stands; only a person can see that [SHT-06]."""
    return "place" in facts["order"]


def stop_is_target(facts: Facts) -> bool:
    """The stop that was reached is the one that the run is to."""
    return bool(facts["stop"] == facts["target"])


def stop_is_other(facts: Facts) -> bool:
    """The stop that was reached is one on the way."""
    return bool(facts["stop"] != facts["target"])


def nothing_said(facts: Facts) -> bool:
    """What the person said does not settle it. Stands behind the row whose guard asks for what would."""
    return True


# ---------------------------------------------------------------- a node, seen by its supervisor
def token_is_ours(facts: Facts) -> bool:
    """The report carries the token of the newest ask, and every state message has come since that ask [SUP-06]."""
    return _answers(facts) and bool(facts["told_all"])


def state_is_missing(facts: Facts) -> bool:
    """The report carries the token of the newest ask, but a state message was lost; the next ask brings it."""
    return _answers(facts) and not facts["told_all"]


def token_is_other(facts: Facts) -> bool:
    """The report answers an older ask, or somebody else's [SUP-06]."""
    return not _answers(facts)


def _answers(facts: Facts) -> bool:
    return facts["asked"] is not None and bool(facts["report"].get("token") == facts["asked"])


def claimant_is_other(facts: Facts) -> bool:
    """The mark is the claim's id, but the claim that raised it has another token: two drew one number [SUP-30].

    A node of minor version 0 names no claimant, and cannot be told apart from one that another has claimed.
    """
    named = facts["report"].get("claimant")
    other = facts["minor"] >= 1 if named is None else named != facts["claimant"]
    return mark_is_claim(facts) and bool(other)


def mark_is_claim(facts: Facts) -> bool:
    """The mark that the node answers is the id of the claim itself: the node is ours [SUP-01]."""
    return bool(facts["report"]["mark"] == facts["claim"])


def mark_is_lower(facts: Facts) -> bool:
    """The mark that the node answers is below the claim: the claim was not obeyed and goes out again [SUP-05]."""
    return bool(facts["report"]["mark"] < facts["claim"])


def mark_is_higher(facts: Facts) -> bool:
    """The mark that the node answers is above the claim: something newer was handled, so it is asked again."""
    return bool(facts["report"]["mark"] > facts["claim"])


def owned_before(facts: Facts) -> bool:
    """An earlier claim made the node ours in this boot, so the higher mark is another supervisor's [SUP-07]."""
    return bool(facts["owned_by"] > 0)


def word_is_old(facts: Facts) -> bool:
    """No state message came for longer than `state_silence`, or the supervisor's own connection broke [SUP-27]."""
    return facts["silent_ms"] is None or bool(facts["silent_ms"] > facts["silence_ms"])


def boot_is_unproven(facts: Facts) -> bool:
    """The message is of another boot, and no answer to the newest ask: it may come late [SUP-28]."""
    return not facts["proven"]


def boot_is_proven(facts: Facts) -> bool:
    """The message of another boot is the answer to the newest ask: that boot is now [SUP-28]."""
    return bool(facts["proven"])


def silence_ms() -> int:
    """After so long a silence, in ms, a node counts as unreachable [SUP-21]."""
    return specification().most_ms("state_silence")


def boot_is_same(facts: Facts) -> bool:
    """The message is of the boot in which the node was claimed."""
    return bool(facts["message"].get("boot") == facts["boot"])


def orders_used_up(facts: Facts) -> bool:
    """The ids of the claim are used up but for a reserve for cancels, and no order is open [SUP-03]."""
    return bool(facts["ids_left"] <= facts["reserve"] and not facts["open_orders"])


def job_given_up(facts: Facts) -> bool:
    """A job that is still open is to be given up, which takes the answer to a newer claim [SUP-08]."""
    return bool(facts["given_up"])


# ---------------------------------------------------------------- a job, seen by its supervisor
def nothing_moved(facts: Facts) -> bool:
    """The reason of the refusal is one that means that nothing moved [ORD-20]."""
    return facts["report"].get("reason") not in SAYS_NOTHING


def outcome_open(facts: Facts) -> bool:
    """The reason of the refusal, 'stale' or 'wrong-boot', says nothing about what moved [ORD-20, SUP-09]."""
    return facts["report"].get("reason") in SAYS_NOTHING


def newer_claim_answered(facts: Facts) -> bool:
    """A claim above the order's id was answered: an order still on its way is stale by now [SUP-08]."""
    return bool(facts["order"]["id"] < facts["claim"])


MACHINE_GUARDS: dict[str, Callable[[Facts], bool]] = {
    guard.__name__: guard
    for guard in (
        order_is_fit, order_is_unfit, nothing_picked, picked, every_axis_homed, an_axis_unhomed, claimant_is_other,
        track_found_empty, place_found, stop_is_target, stop_is_other, nothing_said,
        token_is_ours, state_is_missing, token_is_other, mark_is_claim, mark_is_lower, mark_is_higher,
        owned_before, word_is_old, boot_is_unproven, boot_is_proven, boot_is_same, orders_used_up, job_given_up,
        nothing_moved, outcome_open, newer_claim_answered,
    )
}  # fmt: skip
"""Guard of a transition table by name."""
