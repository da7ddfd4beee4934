"""What one case came to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from conformance.suite.case import Case
from conformance.suite.verdict import Verdict
from conformance.tester.evidence import Evidence

IDENTITY = "identity"
"""The cause of what was not run because the node is not surely the one that was asked for."""


@dataclass(frozen=True, slots=True)
class Result:
    """What one case came to."""

    case: Case
    verdict: Verdict
    reason: str = ""
    evidence: Evidence | None = None
    warnings: tuple[Evidence, ...] = ()
    took_ms: float = 0.0
    judged: Mapping[str, int] = field(default_factory=dict)
    """How often each requirement of the case was judged; 0 of one says that it was not."""
    taken_over: bool = False
    """Whether it is that of an earlier run."""
    breaches: tuple[Evidence, ...] = ()
    """What the judge of all messages found against a MUST while the case ran."""
    of_body: Verdict | None = None
    """What its own checks came to, where the judge has found more; None where that is the verdict."""
    cause: str = ""
    """The case behind whose verdict this one stands, or IDENTITY; '' where it stands for itself."""
    spoilt: bool = False
    """Whether a limit in time could not be judged, because the test machine stood still meanwhile."""
    tries: int = 1
    """How often it was judged: again where the test machine stood still meanwhile."""

    @property
    def own(self) -> Verdict:
        """What its own checks came to: what rests on the case rests on that."""
        return self.verdict if self.of_body is None else self.of_body
