"""The report of a run as plain data, which text, JSON, HTML and JUnit XML are rendered from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from conformance.reports.counted import counted
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict, overall
from conformance.tester.evidence import Evidence
from conformance.tester.identity import identity
from conformance.tester.questions import Answered
from conformance.tester.result import Result
from conformance.tester.runner import NOT_OF_ITS_VERSION, Run
from protocol.specification import specification

FORMAT = 3


def versions() -> dict[str, str]:
    """Versions of the kit and of the protocol that it judges by."""
    from importlib.metadata import version

    spec = specification()
    return {"kit": version("yardwire"), "protocol": spec.dotted()}


def document(
    run: Run,
    *,
    seed: int,
    complete: bool = True,
    stopped: str = "",
    people: Sequence[Answered] = (),
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    """All of a run that is worth keeping. A run that did not come to every case is incomplete, and never a pass;
    `complete` is false where something else was left out, and `stopped` says why. `notes` are what was seen beside
    the node.

    What people say stands apart from the cases and is in no count of verdicts.
    """
    results = list(run.results.values())
    complete = complete and run.complete
    verdict = run.verdict if complete else overall((run.verdict, Verdict.INCONCLUSIVE))
    counts = Counter(result.verdict.word for result in results)
    fixture = run.fixture
    status = fixture.log.latest("node-status")
    return {
        "format": FORMAT,
        **versions(),
        "site": fixture.site.name,
        "node": fixture.name,
        "digest": fixture.node.digest,
        "roles": list(fixture.node.roles),
        "firmware": status.body.get("firmware", "") if status else "",
        "says": None if fixture.log.minor is None else fixture.spec.dotted(fixture.log.minor),
        "judged_by": fixture.asked.dotted(),
        "bench": fixture.on_bench,
        "identity": identity(fixture.log, fixture.node).document(),
        "on": fixture.bench.kind,
        "slow": fixture.slow,
        "seed": seed,
        "complete": complete,
        "stopped": "" if complete else stopped,
        "not_reached": run.not_reached,
        "unjudged": run.unjudged,
        "judged": dict(sorted(run.judged.items())),
        "verdict": verdict.word,
        "counts": {verdict.word: counts[verdict.word] for verdict in Verdict},
        "took_ms": round(sum(result.took_ms for result in results)),
        "cases": [case_document(result) for result in results],
        "people": [one.document() for one in people],
        "stalls": run.fixture.bench.stalls.document() | {"judged_again": run.judged_again},
        "notes": [*_version_notes(fixture, results), *notes],
    }


def _version_notes(fixture: Fixture, results: Sequence[Result]) -> Iterator[str]:
    """How the minor version that was said bears on the verdict, where it is not the kit's own."""
    said, ours = fixture.spec.dotted(fixture.minor), fixture.spec.dotted()
    if fixture.minor > fixture.spec.minor:
        yield (
            f"it says protocol {said}, which this kit does not know: it is judged by {ours}, and fields that {ours} "
            "does not have are let through"
        )
    elif fixture.minor < fixture.spec.minor:
        left_out = sum(result.reason.startswith(NOT_OF_ITS_VERSION) for result in results)
        later = "ask for what came later and are" if left_out > 1 else "asks for what came later and is"
        cases = f"; {counted(left_out, 'case')} {later} not of its version" if left_out else ""
        yield f"it says protocol {said} and is judged by that{cases}"


def case_document(result: Result) -> dict[str, Any]:
    """One case with its result, as it stands in a report."""
    case = result.case
    return {
        "id": case.id,
        "chapter": case.chapter,
        "summary": case.summary,
        "requirements": list(case.requirements),
        "after": list(case.after),
        "moves": case.moves,
        "verdict": result.verdict.word,
        "own": result.own.word,
        "reason": result.reason,
        "cause": result.cause,
        "judged": dict(result.judged),
        "took_ms": round(result.took_ms),
        "taken_over": result.taken_over,
        "evidence": _evidence(result.evidence),
        "breaches": [_evidence(breach) for breach in result.breaches],
        "warnings": [_evidence(warning) for warning in result.warnings],
    }


def _evidence(evidence: Evidence | None) -> dict[str, Any] | None:
    return None if evidence is None else asdict(evidence)
