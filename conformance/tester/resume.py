"""Going on with a run that was stopped or whose board hung: what was judged then is taken over.

A pass or a fail of a case that acts on the node stands. What was inconclusive, an error or not reached is run
now. Cases that are judged from all that was seen are judged from what is seen now, as the messages of the
earlier run are not kept: a fail of then stands, and a pass of then where nothing can be said now.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.evidence import Evidence, EvidenceLine
from conformance.tester.questions import Answered
from conformance.tester.result import Result
from conformance.tester.runner import OPENING
from protocol.trouble import Trouble

STANDS = ("pass", "fail")


@dataclass(frozen=True, slots=True)
class Resumed:
    """The verdicts of an earlier report; given to a run as its `earlier`."""

    report: Mapping[str, Any]
    path: Path

    def __call__(self, case: Case, fixture: Fixture, judge: Callable[[], Result]) -> Result:
        """The earlier result where it stands, else that of `judge`. Raises Trouble for another firmware."""
        if case.id in OPENING:
            return judge()
        self._require_same_firmware(fixture)
        told = self._told(case)
        if told is None:
            return judge()
        then = _result(case, told)
        if not case.passive or then.verdict is Verdict.FAIL:
            return then
        now = judge()
        return then if now.verdict in (Verdict.INCONCLUSIVE, Verdict.NONE) else now

    def acts_again(self, case: Case) -> bool:
        """Whether a case that acts on the node is run now."""
        return case.id in OPENING or self._told(case) is None

    def _told(self, case: Case) -> Mapping[str, Any] | None:
        """What the earlier report says of a case, where that stands."""
        told = next((one for one in self.report["cases"] if one["id"] == case.id), None)
        return None if told is None or told["verdict"] not in STANDS else told

    def unreached(self, results: Mapping[str, Result]) -> dict[str, Result]:
        """What stands of then and is not in `results`: a run stopped twice loses nothing."""
        return {
            told["id"]: _result(all_cases()[told["id"]], told)
            for told in self.report["cases"]
            if told["verdict"] in STANDS and told["id"] not in results and told["id"] in all_cases()
        }

    @property
    def open(self) -> dict[str, Case]:
        """The cases that the earlier run was to come to and did not."""
        return {id_: all_cases()[id_] for id_ in self.report["not_reached"] if id_ in all_cases()}

    def answers(self, asked: tuple[Answered, ...]) -> tuple[Answered, ...]:
        """Questions with what a person answered then."""
        told = {one["requirement"]: one["answer"] for one in self.report["people"]}
        return tuple(Answered(one.question, told.get(one.question.requirement, one.answer)) for one in asked)

    def _require_same_firmware(self, fixture: Fixture) -> None:
        status = fixture.log.latest("node-status")
        if status is None:
            return
        for name, now in (("firmware", status.body.get("firmware", "")), ("bench", fixture.on_bench)):
            if self.report[name] != now:
                raise Trouble(
                    f"the run was of {name} {self.report[name]!r}, and the node now says {now!r}",
                    where=str(self.path),
                    fix="Run it again, without --resume",
                )


def _result(case: Case, told: Mapping[str, Any]) -> Result:
    return Result(
        case=case,
        verdict=Verdict[told["verdict"].upper()],
        reason=told["reason"],
        evidence=None if told["evidence"] is None else _evidence(told["evidence"]),
        warnings=tuple(_evidence(one) for one in told["warnings"]),
        took_ms=told["took_ms"],
        judged=told["judged"],
        cause=told["cause"],
        of_body=Verdict[told.get("own", told["verdict"]).upper()],
        taken_over=True,
    )


def _evidence(told: Mapping[str, Any]) -> Evidence:
    lines = tuple(EvidenceLine(**line) for line in told["lines"])
    return Evidence(**{**told, "causes": tuple(told["causes"]), "lines": lines})
