"""What happened in one run, gathered message by message."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from conformance.recordings.runs.rule import CutAt, CutRule
from conformance.recordings.runs.run import Facts, Result
from protocol.counting import COUNT_MODULUS
from protocol.specification import FINAL, specification
from protocol.topics import Topic

Body = Mapping[str, Any]
BOOTS_KEPT = 64
"""Boots of a node, and jobs of a run, that are told one by one: more is a defect, or a stranger's file."""
JOBS_KEPT = 20_000
NAMES_KEPT = 1000
SWITCHED_ON_US = 15_000_000
"""What starts so shortly before the next supervisor, or when none is there any more, belongs to the run of that."""


class Gathering:
    """Gathers the facts of one run; `busy` times are us of the caller's clock."""

    def __init__(self, rule: CutRule) -> None:
        self.facts = Facts()
        self._rule = rule
        self._jobs: dict[tuple[str, int, int], str] = {}
        """Node, boot and id to the newest state of a job; 'ordered' before its node has said one."""
        self._orders: dict[tuple[str, int, int], Body] = {}
        self._next = 0
        """With a given order of jobs or a goal: how many of them are done."""
        self._active: dict[str, list[str]] = {}
        self._seqs: dict[str, tuple[int, int]] = {}
        self._links: dict[str, tuple[int, int]] = {}
        self._starts: list[tuple[str, int, str, int]] = []
        """Node, boot, cause and time of each start within the run."""
        self._now_us = 0
        self._supervisors: set[str] = set()
        self._there_us = 0
        """When a supervisor was heard last."""
        self._last_end_us = 0
        self._spec = specification()

    def count(self, *, retained: bool, valid: bool) -> None:
        """Count one message."""
        facts = self.facts
        facts.messages += 1
        facts.retained += retained
        facts.invalid += not valid

    def disconnected(self) -> None:
        """The recorder lost its connection."""
        self._seqs.clear()

    def take(self, text: str, topic: Topic, body: Body, at_us: int) -> None:
        """Take in a message that can be read and was said live."""
        message, node = topic.message, topic.node
        self._now_us = at_us
        if message == "job-order":
            self._order(node, body, at_us)
            return
        if node in self._supervisors:
            self._there_us = at_us
        seq = body.get("seq")
        if seq is not None:
            self._follow(text, body["boot"], seq)
        match message:
            case "job-report":
                self._report(node, body, at_us)
            case "fault":
                self._fault(node, body)
            case "node-status":
                self._status(node, body, at_us)
            case "train-arrival":
                train = body.get("train")
                trains = self.facts.trains
                if train and train not in trains and len(trains) < NAMES_KEPT:
                    trains.append(train)

    def _follow(self, text: str, boot: int, seq: int) -> None:
        """Count what is missing between two messages of a topic."""
        last = self._seqs.get(text)
        if last is not None and last[0] == boot:
            ahead = (seq - last[1]) % COUNT_MODULUS
            if ahead == 0 or ahead >= COUNT_MODULUS // 2:
                return  # Delivered again.
            self.facts.lost += ahead - 1
        self._seqs[text] = (boot, seq)

    def _order(self, node: str, body: Body, at_us: int) -> None:
        act = body.get("act", "")
        if act == "hold":
            self.facts.holds += 1
        if act not in self._spec.jobs or "id" not in body:
            return
        key = (node, body["boot"], body["id"])
        if key in self._jobs or len(self._jobs) >= JOBS_KEPT:
            return
        self._jobs[key] = "ordered"
        self.facts.acts[act] = self.facts.acts.get(act, 0) + 1
        if self._rule.jobs:
            self._orders[key] = body

    def _report(self, node: str, body: Body, at_us: int) -> None:
        if "order_boot" not in body:
            return
        key = (node, body["order_boot"], body["id"])
        state = body["state"]
        if key not in self._jobs:
            if body["act"] not in self._spec.jobs or len(self._jobs) >= JOBS_KEPT:
                return
            self.facts.acts[body["act"]] = self.facts.acts.get(body["act"], 0) + 1
        elif self._jobs[key] in FINAL:
            return
        self._jobs[key] = state
        if state in FINAL:
            self._last_end_us = at_us
            if state == "done" and key in self._orders:
                self._done(node, self._orders.pop(key))

    def _done(self, node: str, order: Body) -> None:
        """A job of the rule's is done."""
        jobs = self._rule.jobs
        if self._next < len(jobs) and jobs[self._next].fits(node, order):
            self._next += 1

    def _fault(self, node: str, body: Body) -> None:
        active = list(body["active"])
        before = self._active.get(node, [])
        if active == before:
            return
        for code in active:
            if code not in before and len(self.facts.faults) < NAMES_KEPT:
                name = f"{node} {code}"
                self.facts.faults[name] = self.facts.faults.get(name, 0) + 1
        self._active[node] = active

    def _status(self, node: str, body: Body, at_us: int) -> None:
        facts = self.facts
        boot = body["boot"]
        boots = facts.boots.setdefault(node, [])
        if boot not in boots and len(boots) < BOOTS_KEPT:
            if boots and "reset" in body:
                self._starts.append((node, boot, body["reset"], at_us))
            boots.append(boot)
        if "supervisor" in body.get("roles", ()):
            self._supervisors.add(node)
        if "uptime" not in body:
            return
        if len(boots) == 1 and node not in self._links and "supervisor" not in body["roles"]:
            facts.uptime_s = max(facts.uptime_s or 0.0, body["uptime"] / 1000)
        last = self._links.get(node)
        if last is not None and last[0] == boot and last[1] != body["link"]:
            facts.reconnects[node] = facts.reconnects.get(node, 0) + 1
        self._links[node] = (boot, body["link"])

    def close(self, *, before_another: bool) -> Facts:
        """What was gathered; `before_another`: the next run begins where this one ends."""
        facts = self.facts
        for node, boot, cause, at_us in self._starts:
            late = self._now_us - at_us < SWITCHED_ON_US or (self._supervisors and at_us > self._there_us)
            if before_another and at_us > self._last_end_us and late:
                facts.boots[node].remove(boot)
                continue
            name = f"{node} {cause}"
            facts.resets[name] = facts.resets.get(name, 0) + 1
        states = Counter(state if state in FINAL else "open" for state in self._jobs.values())
        facts.jobs = dict(states)
        facts.left = sorted(
            f"{node} {code}"
            for node, codes in self._active.items()
            for code in codes
            if self._spec.fault_level(code) == "halt"
        )
        return facts

    def result(self, facts: Facts) -> Result:
        """How it came out."""
        if not facts.jobs:
            return Result.EMPTY
        wanted = len(self._rule.jobs) if self._rule.at is not CutAt.SUPERVISOR else 0
        if wanted and self._next == wanted:
            return Result.DONE  # What comes behind is on the way to the next goal.
        if facts.jobs.get("failed") or facts.left:
            return Result.FAILED
        if facts.jobs.get("open") or wanted or not facts.jobs.get("done"):
            return Result.UNFINISHED
        return Result.DONE
