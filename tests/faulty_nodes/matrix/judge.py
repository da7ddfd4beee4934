"""What becomes of one faulty node of the matrix: by the cases, and by the walk."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache

from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken, Verdict
from conformance.tester.result import Result
from conformance.tester.walk.walk import Walk, Walked
from conformance.tester.walk.walk_case import ID as WALK
from conformance.tester.walk.walk_case import walk_case
from tests.faulty_nodes.matrix.every import BREACHES
from tests.faulty_nodes.matrix.exercise import differs
from tests.faulty_nodes.matrix.injection import Record
from tests.faulty_nodes.matrix.planted import SEEDS, Planted, breach_of, run
from tests.matrix.outcome import PASSED, SURVIVED, UNVISITED, Outcome
from tests.matrix.seeds import Look, over_seeds

__all__ = ["BREACHES", "judge", "judge_by_all", "walk"]
Found = tuple[str, str]
"""The first case that failed, and the requirement that it names."""


class LongWalk(Walk):
    """A walk that ends with its first difference: here nobody reads how short the way to it can be made."""

    def _make_short(self, walked: Walked, broken: Broken) -> None:
        """It is left long."""


def _walk(fixture: Fixture) -> None:
    walked = LongWalk(fixture).run()
    if walked.broken is not None:
        raise walked.broken
    fixture.judged["ORD-03"] += 1


def cases() -> tuple[Case, ...]:
    """The suite, and the walk as `conform` has it."""
    return (*all_cases().values(), replace(walk_case(1), body=_walk))


@cache
def fingerprint(node: str, seed: int) -> str:
    """Of the node without a breach, in a run of the cases."""
    whole, record = run(None, node, seed)
    whole.perform()
    return record.fingerprint


def judge(planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """Judge it by the cases with each seed until one finds nothing."""

    def look(seed: int, case: str) -> Look:
        found, record = first_failure(planted, seed, case)
        shown = found is not None or seed != seeds[0] or record.fingerprint != fingerprint(planted.node, seed)
        return Look(found, shown, record.crash)

    return over_seeds(planted, seeds, look, lambda: differs(planted))


def judge_by_all(planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """Judge it by the cases, and by the walk where these do not catch it: the walk costs more than all of them."""
    outcome = judge(planted, seeds)
    return walk(outcome, planted, seeds) if outcome.state in (SURVIVED, UNVISITED) else outcome


def first_failure(planted: Planted, seed: int, case: str = "") -> tuple[Found | None, Record]:
    """The first case that fails and what it names, or None; a run ends there. `case` is tried alone before."""
    for only in ((case,), None) if case else (None,):
        whole, record = run(planted, planted.node, seed, only)
        found = _failure(planted, whole.steps())
        if found is not None:
            return found, record
    return None, record


def walk(outcome: Outcome, planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """What the walk finds of one that the cases do not catch: what it names, where it finds it with each seed."""
    named = ""
    for seed in seeds:
        whole, _ = run(planted, planted.node, seed, (WALK,))
        found = _failure(planted, whole.steps(cases()))
        if found is None:
            return replace(outcome, walk=PASSED)
        named = named or found[1] or "-"
    return replace(outcome, walk=named)


def _failure(planted: Planted, results: Iterable[Result]) -> Found | None:
    for result in results:
        told = breach_of(result, planted.requirement)
        if told is not None:
            return result.case.id, told
        if result.verdict is Verdict.ERROR:
            raise AssertionError(f"the kit itself went wrong over {planted.id}: {result.reason}")
    return None
