"""A brute-force judge of a shuttle's desk: every way in which orders, happenings and words may lie in each other.

Written apart from the judge, from the sentences of the requirements: one concrete node at a time, and no sets.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

Body = dict[str, Any]
BOOT = 7
FAR = 10_000
OPEN, FINAL = ("accepted", "running"), ("done", "failed", "cancelled")


@dataclass(frozen=True)
class Shuttle:
    """One node, with the orders that wait for it and the reports that it has not yet said."""

    queue: tuple[tuple[tuple[str, Any], ...], ...] = ()
    owed: tuple[tuple[tuple[str, Any], ...], ...] = ()
    mark: int = 0
    held: bool = False
    holds: int = 0
    job: int = 0
    state: str = ""
    place: str = "at-place"
    """'?' from the start of a job until it has said where it is."""

    @property
    def open(self) -> bool:
        """Whether its job has not ended."""
        return self.state in OPEN

    def came(self, order: Body) -> Shuttle:
        """An order is on its way to it."""
        return replace(self, queue=(*self.queue, tuple(order.items())))

    def steps(self) -> Iterator[Shuttle]:
        """What may happen in it with nothing said."""
        if self.queue:
            yield self.handle(dict(self.queue[0]))
        if self.state == "accepted":
            yield replace(self, state="running")
            yield replace(self, state="failed")
        if self.state == "running":
            yield replace(self, state="done")
            yield replace(self, state="failed")
        if self.place == "at-place" and not self.open:
            yield replace(self, place="lost")

    def owes(self, order: Body, state: str, reason: str | None = None, id_: int | None = None) -> Shuttle:
        """With one report more to say."""
        said: Body = {"act": order["act"], "state": state, "mark": self.mark}
        if order["act"] == "ask":
            said |= {"token": order["token"], "told": False}
        else:
            said |= {"id": id_ or order.get("ref", order["id"]), "order_boot": order["boot"]}
        said |= {} if reason is None else {"reason": reason}
        return replace(self, owed=(*self.owed, tuple(sorted(said.items()))))

    def handle(self, order: Body) -> Shuttle:
        """The first order of its queue, check by check."""
        node, act = replace(self, queue=self.queue[1:]), order["act"]
        if act == "ask":
            return node.owes(order, "done")
        if act == "hold":
            return replace(node, held=True, holds=node.holds + 1)
        if order["boot"] != BOOT:
            return node.owes(order, "refused", "wrong-boot")
        if act == "claim":
            node = replace(node, mark=max(node.mark, order["id"]))
            return (
                node.owes(order, "done") if node.mark == order["id"] else node.owes(order, "refused", "stale")
            )
        if node.job and order["id"] == node.job:
            return node.owes(order, node.state, id_=node.job)
        if act == "cancel" and node.job and order["ref"] == node.job:
            return node.cancel(order)
        if order["id"] <= node.mark:
            return node.owes(order, "refused", "stale")
        before, node = node.mark, replace(node, mark=order["id"])
        return node.above_mark(order, before)

    def cancel(self, order: Body) -> Shuttle:
        """A cancel of its job; a run has moved past return or not, which only its answer shows."""
        if self.state == "accepted" or (self.state == "running" and order["moved"] is False):
            return replace(self, state="cancelled").owes(order, "cancelled")
        return self.owes(order, self.state, "too-late" if self.state == "running" else None)

    def above_mark(self, order: Body, before: int) -> Shuttle:
        """A fresh order, behind the check of the mark."""
        act = order["act"]
        if act == "cancel":
            if order["ref"] >= order["id"] or order["ref"] <= before:
                return self.owes(order, "refused", "stale")
            return self.owes(order, "cancelled")
        if act == "resume":
            if order["holds"] != self.holds:
                return self.owes(order, "refused", "holds-count")
            return replace(self, held=False).owes(order, "done")
        if self.open or self.held:
            return self.owes(order, "refused", "busy" if self.open else "held")
        if self.place == "lost" or (self.place == "?" and order["lost"]):
            return replace(self, place="lost").owes(order, "refused", "state")
        if order["to"] == "nowhere":
            return replace(self, place="at-place" if self.place == "?" else self.place).owes(
                order, "refused", "place"
            )
        begun = replace(self, job=order["id"], state="accepted", place="?")
        return begun.owes(order, "accepted")

    def says(self, message: str, body: Body) -> Shuttle | None:
        """The node after it has said this, if it may say it now."""
        if message == "shuttle-status":
            mine = (self.mark, self.held, self.holds, self.job, self.state)
            theirs = (
                body["mark"],
                body["held"],
                body["holds"],
                body.get("job", 0),
                body.get("job_state", ""),
            )
            if mine != theirs or (self.place not in ("?", body["state"])):
                return None
            rests = not self.open and body["state"] != "moving"
            told = tuple(
                tuple((key, True if key == "told" else value) for key, value in one) for one in self.owed
            )
            return replace(self, place=body["state"] if rests else "?", owed=told)
        said = {key: value for key, value in body.items() if key != "uptime"}
        due = dict(self.owed[0]) if self.owed else {}
        told = due.pop("told", True)
        if told and said in (
            due,
            due | {"mark": self.mark},
        ):  # the mark may be that of the order or that of now
            return replace(self, owed=self.owed[1:])
        begins = any(
            dict(one)["state"] == "accepted" and dict(one).get("id") == self.job for one in self.owed
        )
        of_job = (body["act"], body.get("id"), body.get("order_boot")) == ("run", self.job, BOOT)
        if of_job and self.job and not begins and (body["state"], body["mark"]) == (self.state, self.mark):
            return self
        return None


@dataclass
class Exchange:
    """Orders and words in the order in which a tap saw them."""

    items: list[tuple[str, Body]] = field(default_factory=list)

    def unexplained(self) -> int | None:
        """Number of the first word that no interleaving explains; None where all are explained."""
        for number, (message, _) in enumerate(self.items):
            if message != "job-order" and not _explained(Shuttle(), self.items[: number + 1]):
                return number
        return None


def _explained(node: Shuttle, items: list[tuple[str, Body]]) -> bool:
    """Whether one way through all of it exists: each silent step is tried before each word."""
    if not items:
        return True
    message, body = items[0]
    if message == "job-order":
        # Whether a run was past return, and where the shuttle stood after a job, is told by nothing else: both.
        return any(
            _explained(node.came(body | {"moved": moved, "lost": lost}), items[1:])
            for moved in ((True, False) if body["act"] == "cancel" else (True,))
            for lost in ((True, False) if body["act"] == "run" else (True,))
        )
    after = node.says(message, body)
    if after is not None and _explained(after, items[1:]):
        return True
    return any(_explained(step, items) for step in node.steps())


# ---------------------------------------------------------------- exchanges at random


def exchange(rng: random.Random, length: int) -> Exchange:
    """What a shuttle might have been told and said, and in half of the cases one thing that is not so."""
    node, found = Shuttle(), Exchange()
    while len(found.items) < length:
        choice = rng.randrange(10)
        if choice < 3 and len(node.queue) < 3:
            order = _order(rng, node, len(found.items))
            found.items.append(("job-order", order))
            node = node.came(order | {"moved": rng.random() < 0.5, "lost": rng.random() < 0.2})
        elif choice < 6:
            node = rng.choice([*node.steps(), node])
        elif choice < 8 and node.owed and dict(node.owed[0]).get("told", True):
            report = {key: value for key, value in node.owed[0] if key != "told"}
            found.items.append(("job-report", report | {"uptime": 0}))
            node = replace(node, owed=node.owed[1:])
        else:
            body = _status(rng, node)
            after = node.says("shuttle-status", body)
            assert after is not None
            node = after
            found.items.append(("shuttle-status", body))
    if rng.random() < 0.6:
        _bend(rng, found)
    return found


def _status(rng: random.Random, node: Shuttle) -> Body:
    where = rng.choice(["at-place", "lost"]) if node.place == "?" and not node.open else node.place
    body: Body = {
        "mark": node.mark, "held": node.held, "holds": node.holds, "state": "moving" if where == "?" else where,
    }  # fmt: skip
    return body | ({"job": node.job, "job_state": node.state} if node.job else {})


def _order(rng: random.Random, node: Shuttle, token: int) -> Body:
    act = rng.choice(["ask", "hold", "resume", "claim", "cancel", "run", "run", "run"])
    if act == "ask":
        return {"act": act, "token": token}
    if act == "hold":
        return {"act": act}
    near = max(1, node.mark + rng.randrange(-1, 3))
    body: Body = {"act": act, "boot": BOOT if rng.random() < 0.9 else 8, "id": near}
    if act == "resume":
        body["holds"] = node.holds + rng.choice([0, 0, 0, 1])
    if act == "cancel":
        body["ref"] = max(1, rng.choice([node.job, node.job, near - 1, near]))
    if act == "run":
        body |= {"deadline": FAR, "to": rng.choice(["quay-s", "quay-s", "nowhere"])}
    return body


def _bend(rng: random.Random, found: Exchange) -> None:
    said = [number for number, (message, _) in enumerate(found.items) if message != "job-order"]
    if not said:
        return
    number = rng.choice(said)
    message, body = found.items[number]
    field_ = rng.choice(sorted(set(body) - {"uptime", "token", "act"}))
    value = body[field_]
    words = {
        "state": ["moving", "at-place", "lost"]
        if message == "shuttle-status"
        else ["accepted", "running", "done", "refused", "cancelled", "failed"],
        "job_state": ["accepted", "running", "done", "cancelled"],
        "reason": ["busy", "held", "stale", "late", "state", "place"],
    }
    other: Any = (
        rng.choice(words[field_]) if field_ in words else not value if isinstance(value, bool) else value + 1
    )
    found.items[number] = (message, body | {field_: other})
