"""What a busy test machine may leave without a verdict on a real link, and what it may not."""

from __future__ import annotations

import re
from collections.abc import Mapping

from conformance.suite.verdict import Verdict
from conformance.tester.result import Result

STILL = "the test machine stood still"
"""What a case says whose limit in time overlapped a stall in each of its tries: no verdict about the node."""


def without_excuse(results: Mapping[str, Result]) -> dict[str, str]:
    """Cases that came to no pass, with their reasons, but for those that a stall spoilt and those that rest on them.

    Exact limits are judged on virtual time, where no machine stands still. What fails has no excuse.
    """
    reasons = {
        id_: result.reason
        for id_, result in results.items()
        if result.verdict not in (Verdict.PASS, Verdict.NONE)
    }
    spoilt: set[str] = set()
    while more := {id_ for id_ in reasons.keys() - spoilt if _spoilt(results[id_], reasons[id_], spoilt)}:
        spoilt |= more
    return {id_: why for id_, why in reasons.items() if id_ not in spoilt}


def _spoilt(result: Result, why: str, spoilt: set[str]) -> bool:
    if result.verdict is not Verdict.INCONCLUSIVE:
        return False
    rests_on = re.match(r"([a-z-]+) did not pass", why)
    return STILL in why or (rests_on is not None and rests_on[1] in spoilt)
