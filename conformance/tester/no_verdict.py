"""Why cases of a run came to no verdict, by kind: only what the user left out was 'not selected'."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

MOVES = "it moves the machine"
NO_WALK = "it was left out (--walk 0)"
"""The reasons that are the user's own wish."""
OTHER_ROLES = "for other roles"
NOT_SELECTED = "not selected"
NOT_FOR_IT = "not for this node as it was run"
NO_OCCASION = "run, with nothing to judge"
KINDS = (NO_OCCASION, NOT_FOR_IT, NOT_SELECTED, OTHER_ROLES)


def for_others(roles: Sequence[str]) -> str:
    """The reason of a case that a node of other roles is meant by."""
    return f"for {' and '.join(roles)} only"


def kind(case: Mapping[str, Any]) -> str:
    """One of `KINDS`, for a case as it stands in a report, with the verdict 'none'."""
    reason = str(case["reason"])
    if reason in (MOVES, NO_WALK):
        return NOT_SELECTED
    if case["judged"]:  # It was run, and counted what it judged of each requirement: nothing.
        return NO_OCCASION
    if reason.startswith("for ") and reason.endswith(" only"):
        return OTHER_ROLES
    return NOT_FOR_IT
