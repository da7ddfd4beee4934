"""What becomes of one faulty node of the matrix."""

from __future__ import annotations

from functools import cache

from tests.faulty_nodes.matrix.every import BREACHES
from tests.faulty_nodes.matrix.exercise import differs
from tests.faulty_nodes.matrix.injection import Record
from tests.faulty_nodes.matrix.planted import SEEDS, Planted, breach_of, run
from conformance.suite.verdict import Verdict
from tests.matrix.outcome import CAUGHT, EQUIVALENT, SURVIVED, UNVISITED, Outcome

__all__ = ["BREACHES", "judge"]


@cache
def fingerprint(node: str, seed: int) -> str:
    """Of the node without a breach, in a run of the whole suite."""
    whole, record = run(None, node, seed)
    whole.perform()
    return record.fingerprint


def judge(planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """Run the suite over it with each seed until one finds nothing."""
    case, named, caught, crash = "", "", 0, ""
    for seed in seeds:
        failed, record = first_failure(planted, seed, case)
        crash = crash or record.crash
        if failed is None:
            if seed == seeds[0] and record.fingerprint == fingerprint(planted.node, seed):
                state = UNVISITED if differs(planted) else EQUIVALENT
                return Outcome(planted.id, planted.requirement, state)
            return Outcome(planted.id, planted.requirement, SURVIVED, case, named, caught, crash)
        caught += 1
        if not case:
            case, named = failed
    return Outcome(planted.id, planted.requirement, CAUGHT, case, named, caught, crash)


def first_failure(planted: Planted, seed: int, case: str = "") -> tuple[tuple[str, str] | None, Record]:
    """The first case that fails and what it names, or None; a run ends there. `case` is tried alone before."""
    for only in ((case,), None) if case else (None,):
        whole, record = run(planted, planted.node, seed, only)
        for result in whole.steps():
            if result.verdict is Verdict.FAIL:
                return (result.case.id, breach_of(result)), record
            if result.verdict is Verdict.ERROR:
                raise AssertionError(f"the kit itself went wrong over {planted.id}: {result.reason}")
    return None, record
