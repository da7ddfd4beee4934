"""Says at which message a run begins."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from conformance.recordings.runs.rule import CutAt, CutRule
from protocol.specification import specification
from protocol.topics import Topic

Body = Mapping[str, Any]
OrderKey = tuple[str, int, int]
"""Node, boot and id."""

JUST_STARTED_MS = 10_000
"""Of a supervisor that a recording begins with: with less uptime than this it has just started."""
BOOTS_KEPT = 4
ORDERS_KEPT = 256


class Cutter:
    """Takes what can be read of a recording, message by message."""

    def __init__(self, rule: CutRule, *, continues: bool = False) -> None:
        """`continues`: what stands before is not there, so that a run is under way at the first message."""
        self._rule = rule
        self._jobs = specification().jobs
        self._continues = continues
        self._begun = continues
        self._boots: dict[str, deque[int]] = {}
        """Of each supervisor the boots that were heard, the last one last."""
        self._seen: deque[OrderKey] = deque(maxlen=ORDERS_KEPT)
        self._goals: deque[OrderKey] = deque(maxlen=ORDERS_KEPT)
        """Orders whose job is the goal."""
        self._met = False
        self._next = 0
        """With a given order of jobs: the one that is due."""

    def begins(self, topic: Topic, body: Body, *, retained: bool) -> bool:
        """Whether a run begins with this message."""
        message = topic.message
        if message == "node-status":
            started = self._starts(topic.node, body, retained=retained)
            return started and self._rule.at is not CutAt.JOBS
        if self._rule.at is CutAt.SUPERVISOR or retained:
            return False
        if message == "job-order":
            return self._ordered(topic.node, body)
        if message == "job-report" and body.get("state") == "done" and "order_boot" in body:
            key = (topic.node, body["order_boot"], body["id"])
            self._met = self._met or key in self._goals
        return False

    def _starts(self, node: str, body: Body, *, retained: bool) -> bool:
        if "supervisor" not in body.get("roles", ()):
            return False
        boot = body["boot"]
        known = self._boots.get(node)
        if known is None:
            self._boots[node] = deque([boot], maxlen=BOOTS_KEPT)
            # Where something stands before, its start may stand there too: then only the first word of its life is one.
            just = body["seq"] == 0 if self._continues else body["uptime"] < JUST_STARTED_MS
            started = just and not retained
        elif boot in known:
            return False  # A heartbeat, or what its old boot said comes late.
        else:
            known.append(boot)
            started = True
        if started:
            self._begun, self._met = True, False
        return started

    def _ordered(self, node: str, body: Body) -> bool:
        if body.get("act") not in self._jobs or "id" not in body:
            return False
        key = (node, body["boot"], body["id"])
        if key in self._seen:
            return False
        self._seen.append(key)
        if self._rule.at is CutAt.JOBS:
            return self._in_order(node, body)
        if self._rule.jobs[0].fits(node, body):
            self._goals.append(key)
        begins = self._met or not self._begun
        self._begun, self._met = True, False
        return begins

    def _in_order(self, node: str, body: Body) -> bool:
        jobs = self._rule.jobs
        if 0 < self._next < len(jobs) and jobs[self._next].fits(node, body):
            self._next += 1
            return False
        if jobs[0].fits(node, body):
            self._next = 1
            return True
        return False

    def state(self) -> dict[str, Any]:
        """What it knows, as plain values: `restored` goes on from it."""
        return {
            "continues": self._continues,
            "begun": self._begun,
            "boots": {node: list(boots) for node, boots in self._boots.items()},
            "seen": [list(key) for key in self._seen],
            "goals": [list(key) for key in self._goals],
            "met": self._met,
            "next": self._next,
        }

    @classmethod
    def restored(cls, rule: CutRule, state: Mapping[str, Any]) -> Cutter:
        """One that knows what another one knew. Raises KeyError, TypeError or ValueError for what is no state."""
        cutter = cls(rule, continues=bool(state["continues"]))
        cutter._begun = bool(state["begun"])
        cutter._boots = {
            str(node): deque(map(int, boots), maxlen=BOOTS_KEPT) for node, boots in state["boots"].items()
        }
        cutter._seen.extend((str(node), int(boot), int(id_)) for node, boot, id_ in state["seen"])
        cutter._goals.extend((str(node), int(boot), int(id_)) for node, boot, id_ in state["goals"])
        cutter._met, cutter._next = bool(state["met"]), int(state["next"])
        return cutter
