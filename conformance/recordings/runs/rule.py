"""Where a run begins: at a supervisor's start, behind a goal met, or with the first of a given order of jobs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from protocol.trouble import Trouble

FIX = "Write it as supervisor, as 'goal=siding depart', or as 'jobs=siding admit, south transfer, siding depart'"
MOST_JOBS = 64


class CutAt(StrEnum):
    """What begins a run."""

    SUPERVISOR = "supervisor"
    """A supervisor's start."""
    GOAL = "goal"
    """The first order behind a goal that was met; a supervisor's start too."""
    JOBS = "jobs"
    """The first of a given order of jobs."""


@dataclass(frozen=True, slots=True)
class JobPattern:
    """A job by its node ('*' for any), its act, and words of its order (boxes, places, trains), in any order."""

    node: str
    act: str
    words: tuple[str, ...] = ()

    def fits(self, node: str, order: Mapping[str, Any]) -> bool:
        """Whether an order to `node` is one of these."""
        if self.node not in ("*", node) or order.get("act") != self.act:
            return False
        return not self.words or set(self.words) <= set(map(str, order.values()))

    def __str__(self) -> str:
        return " ".join((self.node, self.act, *self.words))


@dataclass(frozen=True, slots=True)
class CutRule:
    """How recordings are cut. With `GOAL` the one job is the goal, with `JOBS` they are a run's, in their order."""

    at: CutAt = CutAt.SUPERVISOR
    jobs: tuple[JobPattern, ...] = ()

    def __str__(self) -> str:
        return str(self.at) + (f"={', '.join(map(str, self.jobs))}" if self.jobs else "")


def cut_rule(text: str, where: str) -> CutRule:
    """The rule that a text says, as on the command line. Raises Trouble."""
    at, _, jobs = text.strip().partition("=")
    return cut_rule_of(at.strip(), [part for part in jobs.split(",") if part.strip()], where)


def cut_rule_of(at: str, jobs: Sequence[str], where: str) -> CutRule:
    """The rule of its two parts, as in a site file. Raises Trouble."""
    from protocol.specification import specification

    if at not in CutAt.__members__.values():
        raise Trouble(f"there is no such rule to cut recordings: {at[:40]!r}", where=where, fix=FIX)
    patterns = []
    for job in jobs:
        node, *rest = job.split()
        if not rest or rest[0] not in specification().jobs:
            known = ", ".join(sorted(specification().jobs))
            what = f"{job.strip()[:60]!r} is no job: node and act are wanted, and the acts are {known}"
            raise Trouble(what, where=where, fix=FIX)
        patterns.append(JobPattern(node, rest[0], tuple(rest[1:])))
    rule = CutRule(CutAt(at), tuple(patterns))
    wanted = {CutAt.SUPERVISOR: (0, 0), CutAt.GOAL: (1, 1), CutAt.JOBS: (1, MOST_JOBS)}[rule.at]
    if not wanted[0] <= len(patterns) <= wanted[1]:
        raise Trouble(f"the rule {at!r} has {len(patterns)} jobs", where=where, fix=FIX)
    return rule
