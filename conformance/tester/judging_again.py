"""Judging again what a stall of the test machine has spoilt: such a verdict is never a fail, and never a pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from conformance.suite.fixture import Fixture
from conformance.suite.stalls import LONG_MS, SLACK
from conformance.suite.verdict import Broken, Unclear, Verdict
from conformance.tester.result import Result

ASKS = 3
QUIETER = "judge it again on a machine that does less (--resume REPORT.json runs what is open)"
TRIES = 4
"""How often a case is judged at the most."""
PAUSE_MS = 1_000
"""Before the second try, twice that before the third: what keeps a machine busy is seldom over at once."""


def until_clear(fixture: Fixture, judge: Callable[[int], Result]) -> Result:
    """The result of `judge`, which is called with the number of the try until no stall has spoilt it, or TRIES times.

    One that stays spoilt is inconclusive.
    """
    for number in range(TRIES):
        began_ms = fixture.bench.now_ms
        result = judge(number)
        spoilt_ms = _spoilt_ms(result, fixture, began_ms)
        if spoilt_ms is None:
            return replace(result, tries=number + 1)
        if number < TRIES - 1:
            fixture.bench.wait(lambda: False, PAUSE_MS * (number + 1))
    still = f", for {spoilt_ms:.0f} ms the last time" if spoilt_ms else ""
    why = f"the test machine stood still in each of {TRIES} tries{still}"
    last = "" if result.spoilt else f"; seen last: {result.reason}"
    reason = f"{why}{last}; fix: {QUIETER}"
    return replace(result, verdict=Verdict.INCONCLUSIVE, reason=reason, evidence=None, cause="", tries=TRIES)


def with_what_is_open(fixture: Fixture, judge: Callable[[], Result]) -> Result:
    """The result of a case that is judged from all that was seen; what a stall has left open is looked for again.

    For that the node is asked and left alone for as long as its slowest message may take. A case that has something
    left open in each of TRIES times is inconclusive: what seemed broken is neither that nor kept.
    """
    fixture.again_from_ms = 0.0
    for number in range(TRIES):
        fixture.left_open = 0
        result = judge()
        if not fixture.left_open or result.verdict is Verdict.FAIL:
            return replace(result, tries=number + 1)
        if number == TRIES - 1 or fixture.node.is_supervisor:
            break
        fixture.again_from_ms = fixture.bench.now_ms
        _provoke(fixture)
    reason = (
        f"the test machine stood still while it was judged, and {fixture.left_open} limits in time are open; "
        f"fix: {QUIETER}"
    )
    return replace(result, verdict=Verdict.INCONCLUSIVE, reason=reason, tries=number + 1)


def _provoke(fixture: Fixture) -> None:
    """Let happen again what can be without moving anything: answers, and heartbeats of each topic."""
    try:
        for _ in range(ASKS):
            fixture.ask()
        fixture.watch(fixture.repeat_ms("status_repeat"))
    except (Broken, Unclear):
        return  # It says what it has to say in a case of its own.


def _spoilt_ms(result: Result, fixture: Fixture, began_ms: float) -> float | None:
    """How long the test machine stood still, where the result may be owed to that; None where it is the node's.

    It is 0 where it stood still before the case began, in the time of waiting that the case shares with others.
    What is missing may be on its way, and a limit in time may seem broken; both through a short stall. A message that
    says what is wrong says it after a short stall too, and after a long one perhaps because the kit came too late.
    """
    still_ms = fixture.bench.stalls.within(began_ms, fixture.bench.now_ms)
    if result.verdict not in (Verdict.FAIL, Verdict.INCONCLUSIVE):
        return None
    if result.spoilt or still_ms >= LONG_MS or (_is_missing(result) and _may_be_late(fixture, still_ms)):
        return still_ms
    return None


def _is_missing(result: Result) -> bool:
    """Whether it fails for what did not come, and no message shows it."""
    return result.evidence is not None and not any(line.marked for line in result.evidence.lines)


def _may_be_late(fixture: Fixture, still_ms: float) -> bool:
    """Whether what did not come may be on its way: it stood still for more than the slack of what was waited for."""
    if fixture.gave_up_ms is None:
        return still_ms > 0
    begin_ms, end_ms = fixture.gave_up_ms
    return fixture.bench.stalls.within(begin_ms, end_ms) > SLACK * (end_ms - begin_ms)
