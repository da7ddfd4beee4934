"""The judge of nodes over every case of a run: what the node may not have said fails the case in which it showed.

A case stimulates, and judges what only it can know; the judge follows all that was said, from the first case to the
last. One breach is told once: the case in which it showed first has to answer for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from conformance.oracle.finding import Finding
from conformance.oracle.node_judge import NodeJudge
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken
from conformance.tester.evidence import Evidence, gather

EXPECTED = "what the orders and messages before it allow"


@dataclass(frozen=True, slots=True)
class Breaches:
    """What showed in one case: against a MUST, and against a SHOULD."""

    musts: tuple[Evidence, ...] = ()
    shoulds: tuple[Evidence, ...] = ()


class Judging:
    """Judges the node of one run, case after case."""

    def __init__(self, fixture: Fixture) -> None:
        self._fixture = fixture
        rate = fixture.spec.timing["order_rate"].most or 0
        self._judge = NodeJudge(
            fixture.log, fixture.site, fixture.name, rate, slow=fixture.slow, grace_ms=fixture.bench.path_ms,
            stalled=fixture.bench.stalls.within, carried=fixture.bench.line_ms, damaged=fixture.bench.damaged,
        )  # fmt: skip
        self._told: set[str] = set()

    @property
    def judged(self) -> Mapping[str, int]:
        """How often each requirement could be judged by now."""
        return self._judge.judged

    def look(self) -> Breaches:
        """Judge what came since the last look; gives what was not told before."""
        self._judge.take()
        new: list[Finding] = []
        for finding in self._judge.findings:
            if finding.key not in self._told:
                self._told.add(finding.key)
                new.append(finding)
        self._judge.findings.clear()
        must = {one for one in new if self._fixture.spec.requirements[one.requirement].level == "MUST"}
        return Breaches(
            tuple(self._evidence(one) for one in new if one in must),
            tuple(self._evidence(one) for one in new if one not in must),
        )

    def _evidence(self, finding: Finding) -> Evidence:
        broken = Broken(finding.requirement, EXPECTED, finding.what, finding.at or None)
        return gather(broken, self._fixture.log)
