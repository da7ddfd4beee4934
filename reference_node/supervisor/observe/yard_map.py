"""The yard-map: written on every change, believed after a restart only where nothing has moved since."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.specification import OPEN, STATE_OF_ROLE
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.session import Session

Body = Mapping[str, Any]
CLOCK_IS_WRONG = 2
"""A node's uptime is trusted to this factor: some boards have no crystal."""


def map_of(place: str, inventory: Inventory, sessions: Mapping[str, Session], blocked: str) -> dict[str, Any]:
    """The yard-map of `place` without counts; `blocked` says why it must not be used, '' if it may."""
    body: dict[str, Any] = {
        "slots": list(inventory.shown(place)),
        "state": "blocked" if blocked else "running",
        "rests_on": [
            [node, sessions[node].boot, sessions[node].mark]
            for node in inventory.rests_on(place)
            if sessions[node].boot is not None
        ],
    }
    return body | ({"why": blocked[:60]} if blocked else {})


def may_believe(place: str, kept: Body, inventory: Inventory, sessions: Mapping[str, Session]) -> bool:
    """Whether boot and mark of every node that `place` rests on are still those of `kept` [SUP-11].

    The mark of the first answer tells of what came before it. What slipped in between that answer and the
    claim is told by the job that the node names after the claim: it must be no newer than the mark kept.
    """
    marks = {node: (boot, mark) for node, boot, mark in kept["rests_on"]}
    if len(kept["slots"]) != inventory.site.places[place].slots:
        return False
    return all(
        node in marks and has_not_moved(sessions[node], *marks[node]) for node in inventory.rests_on(place)
    )


def may_believe_word(place: str, inventory: Inventory, sessions: Mapping[str, Session], told_ms: int) -> bool:
    """Whether a person's word of `told_ms`, before any node was heard, still holds for `place` for sure [SUP-24].

    That is so where each node that it rests on had no order in its boot, and started well before: clocks may be wrong.
    """
    nodes = [sessions[node] for node in inventory.rests_on(place)]
    return all(
        one.boot is not None and one.first_answer is not None
        and one.first_uptime >= CLOCK_IS_WRONG * (one.first_answered_ms - told_ms)
        and has_not_moved(one, one.boot, 0)
        for one in nodes
    )  # fmt: skip


def has_not_moved(session: Session, boot: int, mark: int) -> bool:
    """Whether `session`'s node still was at `boot` and `mark` when this supervisor claimed it."""
    if session.first_answer != (boot, mark) or session.boot != boot:
        return False
    words = [session.word(STATE_OF_ROLE[role]) for role in session.node.roles if role in STATE_OF_ROLE]
    return all(
        word is not None and int(word.get("job", 0)) <= mark and word.get("job_state") not in OPEN
        for word in words
    )
