"""What a case demands of the node under test, and what comes of it: kept, broken, or not to be told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

from conformance.oracle.link_log import Message, Trace
from conformance.oracle.wording import in_words
from conformance.suite.bench import Bench
from conformance.suite.stalls import SLACK, StoodStill
from conformance.suite.verdict import Broken, NoOccasion, Unclear
from protocol.specification import Specification, specification
from protocol.validation import read_message


class Demands:
    """Judges what is seen at one bench by the specification of the minor version that the node says."""

    def __init__(self, bench: Bench, slow: float) -> None:
        """`slow` stretches every limit in time: 1 judges by the specification."""
        self.bench, self.slow = bench, slow
        self.spec = specification()
        self.log = bench.log
        self.warnings: list[Broken] = []
        self.judged: Counter[str] = Counter()
        """How often the case at hand has judged each requirement: one that never did shows nothing."""
        self.can_repeat = True
        """Whether the case at hand can be judged again: not one that is judged from all that was seen."""
        self.left_open = 0
        """How many limits in time a case that cannot be judged again has left open, which seemed broken."""
        self.again_from_ms = 0.0
        """What was left open before that instant has been looked for again since."""
        self.gave_up_ms: tuple[float, float] | None = None
        """From when to when the last message was waited for that did not come; None where it came."""
        self.broken: Broken | None = None
        """What the case at hand, still at work on it, has found broken: a run that is stopped then tells it."""

    # ---- what binds the node

    @property
    def minor(self) -> int:
        """The minor version that the node says. Ours until it has said one: silence excuses from nothing."""
        return self.spec.minor if self.log.minor is None else self.log.minor

    @property
    def asked(self) -> Specification:
        """The specification as it binds a node of that minor version: of a newer one, ours."""
        return self.spec.at(self.log.minor)

    def limit_ms(self, name: str) -> float:
        """The upper bound of a time of the specification, stretched for slow boards."""
        return self.stretched(self.spec.most_ms(name))

    def repeat_ms(self, name: str) -> float:
        """The longest gap between two messages of a topic, with the tolerance that is written for it."""
        share = (self.spec.timing["repeat_tolerance"].value or 0) / 100
        return self.limit_ms(name) * (1 + share)

    def stretched(self, ms: float) -> float:
        """A time of the site file or of a case, stretched for slow boards."""
        return ms * self.slow

    # ---- judging

    def check(
        self, holds: bool, requirement: str, expected: str, seen: object, at: Message | Trace | None = None
    ) -> None:
        """Demand something. A broken MUST ends the case with Broken; a broken SHOULD is kept as a warning.

        What came after the minor version that the node says is not demanded.
        """
        if requirement not in self.asked.requirements:
            return
        self.judged[requirement] += 1
        if holds:
            return
        broken = Broken(requirement, expected, in_words(seen), at.number if at else None)
        if self.spec.requirements[requirement].level == "MUST":
            raise broken
        self.warnings.append(broken)

    def in_time(
        self, fits: bool, span_ms: tuple[float, float], requirement: str, expected: str, seen: object,
        at: Message | Trace | None = None,
    ) -> None:  # fmt: skip
        """Demand that a limit in time is kept between two instants; breaks as `check` does.

        Where the test machine stood still meanwhile, what seems broken is neither kept nor broken: that raises
        StoodStill where the case can be judged again, and else is left open and looked for again. What seems kept is
        so too, unless it stood still at one of the two instants, for more than SLACK of the time: only that can have
        made it shorter than it was, or longer where a limit says 'not before'.
        """
        stalls = self.bench.stalls
        still_ms = stalls.at(*span_ms) if fits else stalls.within(*span_ms)
        if still_ms <= (SLACK * (span_ms[1] - span_ms[0]) if fits else 0):
            self.check(fits, requirement, expected, seen, at)
        elif self.can_repeat:
            span = f"{span_ms[1] - span_ms[0]:.0f} ms"
            raise StoodStill(f"the test machine stood still for {still_ms:.0f} ms of {span}")
        elif not fits and span_ms[1] >= self.again_from_ms:
            self.left_open += 1

    def equal(
        self, seen: object, expected: object, requirement: str, told: str, at: Message | Trace | None = None
    ) -> None:
        """Demand that what was seen is what is expected, which `told` says in words; breaks as `check` does."""
        self.check(seen == expected, requirement, told, seen, at)

    def none(
        self, found: Iterable[Message], requirement: str, expected: str, seen: Callable[[Message], object]
    ) -> None:
        """Demand that nothing was found where it was looked for: one judgement, whatever was heard meanwhile."""
        first = next(iter(found), None)
        self.check(first is None, requirement, expected, "" if first is None else seen(first), first)

    def need(self, holds: bool, why: str) -> None:
        """Demand what the case itself needs: without it nothing can be said. Raises Unclear."""
        if not holds:
            raise Unclear(why)

    def occasion(self, holds: bool, why: str) -> None:
        """Demand that there was something to judge, where a tester cannot bring it about. Raises NoOccasion."""
        if not holds:
            raise NoOccasion(why)

    def read(self, name: str, payload: bytes) -> dict[str, Any]:
        """A payload as a sender's message; empty where it cannot be read."""
        return read_message(name, payload, closed=True).body or {}
