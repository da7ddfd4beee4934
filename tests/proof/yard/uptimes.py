"""Uptimes of a node at a moment when nothing that it has said, and no order to it, is on its way.

Whatever comes then carries an uptime that is above the node's own: by one where nothing changes with it, by two where
something does. So of an uptime that a supervisor remembers all that is ever asked is whether it is of what was said
since the last change, of that change, lies before it, or so far before it that a deadline reckoned from it has
passed; and of a deadline whether it has passed. Yards that differ in nothing else are one state: the node's
uptime is set to 0, and all others with it. Done in calm budgets, where little is ever under way; in others the few
moments at which it can be done make more states than they save. `test_uptimes` compares both.
"""

from __future__ import annotations

from typing import Any

from protocol.counting import UPTIME_MODULUS, uptime_difference

EXPIRY_MS = 40_000
"""Longer than any deadline lies ahead; a step takes 1."""
AHEAD = 30_000
"""Where a deadline stands that has not passed."""
BEFORE, LONG_BEFORE = UPTIME_MODULUS - 1, UPTIME_MODULUS - EXPIRY_MS


def remembered(uptime: int, now: int) -> int:
    """Where a remembered uptime stands once the node's is 0."""
    age = uptime_difference(now, uptime)
    if age <= 0:
        return -age
    return BEFORE if age < EXPIRY_MS // 2 else LONG_BEFORE


def deadline(uptime: int, now: int) -> int:
    """Where a deadline stands once the node's uptime is 0."""
    return BEFORE if uptime_difference(now, uptime) > 0 else AHEAD


def rebase_session(session: Any, boot: int, now: int) -> None:
    """All uptimes of one node that its supervisor remembers; words of another boot are compared with nothing more."""
    said = session._said
    here = now if session.boot == boot else None
    said.newest = {
        # A will tells no uptime.
        name: {**body, "uptime": 0 if here is None else remembered(int(body["uptime"]), here)}
        if "uptime" in body
        else body
        for name, body in said.newest.items()
    }
    for name in ("uptime", "_settled_from"):
        setattr(said, name, 0 if here is None else remembered(getattr(said, name), here))
    session.first_uptime = 0
    for sent in (*session.open.values(), *session._giving_up):
        if "deadline" in sent.body:
            at = AHEAD if here is None else deadline(int(sent.body["deadline"]), here)
            sent.body = {**sent.body, "deadline": at}


def rebase_node(node: Any) -> None:
    """The node's own uptime, and the deadline of its job."""
    if node.job is not None and "deadline" in node.job.order:
        node.job.order["deadline"] = deadline(int(node.job.order["deadline"]), node._uptime.count)
    node._uptime.count = 0
