"""What becomes of one faulty node of the matrix: the cases judge it, and where they find nothing the walk does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import cache

from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken, Verdict
from conformance.tester.walk.walk import Walk, Walked
from conformance.tester.walk.walk_case import ID as WALK
from conformance.tester.walk.walk_case import walk_case
from tests.faulty_nodes.matrix.every import BREACHES
from tests.faulty_nodes.matrix.exercise import differs
from tests.faulty_nodes.matrix.injection import Record
from tests.faulty_nodes.matrix.planted import SEEDS, Planted, breach_of, run
from tests.matrix.outcome import CAUGHT, EQUIVALENT, SURVIVED, UNVISITED, Outcome

__all__ = ["BREACHES", "judge"]
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
def fingerprints(node: str, seed: int) -> tuple[str, str]:
    """Of the node without a breach: in a run of the cases, and in the walk."""
    return tuple(_whole(node, seed, only) for only in (None, (WALK,)))  # type: ignore[return-value]


def _whole(node: str, seed: int, only: tuple[str, ...] | None) -> str:
    whole, record = run(None, node, seed, only)
    for _ in whole.steps(_chosen(only)):
        pass
    return record.fingerprint


def _chosen(only: Iterable[str] | None) -> tuple[Case, ...]:
    """The walk is a run of its own: what it leaves behind is no matter of the cases."""
    return cases() if only is not None else tuple(all_cases().values())


def judge(planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """Judge it with each seed until one finds nothing."""
    case, named, caught, crash = "", "", 0, ""
    for seed in seeds:
        found, shown, record = first_failure(planted, seed, case)
        crash = crash or record.crash
        if found is None:
            if seed == seeds[0] and not shown:
                state = UNVISITED if differs(planted) else EQUIVALENT
                return Outcome(planted.id, planted.requirement, state)
            return Outcome(planted.id, planted.requirement, SURVIVED, case, named, caught, caught + 1, crash)
        caught += 1
        if not case:
            case, named = found
    return Outcome(planted.id, planted.requirement, CAUGHT, case, named, caught, caught, crash)


def first_failure(planted: Planted, seed: int, case: str = "") -> tuple[Found | None, bool, Record]:
    """The first failure, and whether the breach showed at all; `case` is tried alone before the cases, the walk last."""
    shown = False
    for only in ((case,), None, (WALK,)) if case else (None, (WALK,)):
        whole, record = run(planted, planted.node, seed, only)
        for result in whole.steps(_chosen(only)):
            if result.verdict is Verdict.FAIL:
                return (result.case.id, breach_of(result)), True, record
            if result.verdict is Verdict.ERROR:
                raise AssertionError(f"the kit itself went wrong over {planted.id}: {result.reason}")
        if only != (case,):
            shown = shown or record.fingerprint != fingerprints(planted.node, seed)[only is not None]
    return None, shown, record
