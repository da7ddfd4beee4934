"""How long a run still takes: known lengths of its cases, corrected by what this run has shown so far.

A case that passes takes its known length, times how much slower this board and its link have been until now. One that
does not, runs into its limits in time, whatever its length: as long as the last of its kind, and as likely as of late.
A case that rests on one that did not pass is not run. Cases that leave the node alone share the time of the longest of
them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field

from conformance.suite.case import Case
from conformance.suite.verdict import Verdict
from conformance.tester.result import IDENTITY, Result
from conformance.tester.walk.walk_case import ID as WALK

SHORT_S = 0.15
"""A few round trips: the length of a case that is not listed."""
OF_SUPERVISOR_S = 15.0
"""One starts a fresh supervisor, and waits for what it does: on the average, as some take 50 s."""
LONG_S: Mapping[str, Mapping[str, float]] = {
    "node": {
        "bench-wrap": 6.3,
        "encoding-flood": 4.0,
        "encoding-unreadable": 4.0,
        "hold-ends": 4.2,
        "link-comes-back": 0.8,
        "link-keeps-state": 1.9,
        "messages-heartbeat": 10.5,
        "orders-late-across-wrap": 5.1,
        "orders-late-start": 5.1,
        "orders-rate": 1.0,
    },
    "crane": {
        "bench-job-across-wrap": 5.2,
        "crane-box-in-the-air": 9.6,
        "crane-cancel-too-late": 4.1,
        "crane-homes": 2.5,
        "crane-jogs": 0.8,
        "crane-pick-missed": 2.8,
        "crane-table": 3.1,
        "crane-transfer": 5.6,
        "faults-warn-keeps-job": 2.6,
        "hold-keeps-time-out": 61.2,
        "hold-stops-crane": 3.3,
    },
    "berth": {
        "bench-job-across-wrap": 4.1,
        "berth-arrival": 3.1,
        "berth-bounce": 6.4,
        "berth-counts-arrivals": 6.3,
        "berth-departs": 3.2,
        "berth-empty-refuses": 3.2,
        "berth-end-missed": 10.1,
        "berth-ignores-pulses": 19.1,
        "berth-not-armed": 30.0,
        "berth-pushed": 16.0,
        "berth-times-arrival": 13.4,
        "claim-keeps-job": 6.3,
        "faults-warn-keeps-job": 4.1,
        "hold-keeps-job": 6.3,
        "hold-keeps-time-out": 34.3,
        "link-keeps-state": 7.9,
        "orders-busy": 6.3,
        "orders-cancel-done": 6.3,
        "orders-cancel-open": 3.4,
        "orders-cancel-own-id": 3.1,
        "orders-job": 3.1,
        "orders-refused-is-no-job": 6.3,
        "orders-repeat": 6.3,
    },
    "shuttle": {
        "bench-job-across-wrap": 1.1,
        "faults-warn-keeps-job": 2.9,
        "hold-keeps-time-out": 21.1,
        "shuttle-pushed": 8.8,
        "shuttle-stop-missed": 20.3,
    },
}
"""What takes about a second and more by itself, in s: the reference nodes of harlow-basin, of any role or of one."""
SLOWER, FASTER = 20.0, 1 / 4
"""The bounds of how much slower and how much faster than known a run is taken to be."""
OF_ANSWERS_S = 0.5
"""A case that is known to be shorter is made of round trips; longer ones are mostly waits."""
LEARNT_S = 10.0
"""As much of the known lengths is taken on trust: the first few seconds of a run show little."""
OF_LATE = 0.2
"""The weight of the newest case in how things went of late."""


def length_s(case: Case, roles: Collection[str]) -> float:
    """The known length of a case over a node of these roles."""
    if case.passive:
        return 0.0
    if case.chapter == "supervisor":
        return OF_SUPERVISOR_S
    known = [LONG_S[role][case.id] for role in ("node", *roles) if case.id in LONG_S.get(role, {})]
    return max(known, default=SHORT_S)


def lengths(
    cases: Iterable[Case],
    roles: Collection[str],
    walk_s: float | None = None,
    acts: Callable[[Case], bool] = lambda _case: True,
) -> dict[str, tuple[Case, float]]:
    """The known length of each case of a run, of the walk too; one that does not act again takes no time."""
    known = {case.id: (case, length_s(case, roles)) for case in cases}
    if walk_s is not None and WALK in known:
        known[WALK] = (known[WALK][0], walk_s)
    return {id_: (case, seconds if acts(case) else 0.0) for id_, (case, seconds) in known.items()}


@dataclass(slots=True)
class Pace:
    """How much slower than known cases of one kind have been in this run."""

    _known_s: float = LEARNT_S
    _took_s: float = LEARNT_S

    def learn(self, known_s: float, took_s: float) -> None:
        """One more that took so long."""
        self._known_s, self._took_s = self._known_s + known_s, self._took_s + took_s

    @property
    def slower(self) -> float:
        """The factor."""
        return min(max(self._took_s / self._known_s, FASTER), SLOWER)


@dataclass(slots=True)
class TimeLeft:
    """What is left of one run, from the cases ahead of it in their order, each with its known length in s."""

    ahead: dict[str, tuple[Case, float]]
    _open: set[str] = field(default_factory=set)
    """Cases that did not pass: what rests on them is not run."""
    _withheld: bool = False
    _paces: dict[bool, Pace] = field(default_factory=lambda: {True: Pace(), False: Pace()})
    """Of short cases and of the others: slow answers make the first several times as long, and a wait hardly longer."""
    _troubled: float = 0.0
    """How much of late did not pass, as the one before it did not: one alone is a mistake, and no silent node."""
    _before_failed: bool = False
    _left_alone: bool = False
    """Whether the time that the cases share is over."""
    _trouble_s: float | None = None
    """How long such a case took of late."""

    def ended(self, case: Case, result: Result) -> None:
        """One more has its result."""
        left_out = self._left_out(case, self._open) or result.taken_over
        _, known_s = self.ahead.get(case.id, (case, 0.0))
        if case.quiet and known_s and not left_out:
            known_s = 0.0 if self._left_alone else self._alone_s(self._open)
            self._left_alone = True
        self.ahead.pop(case.id, None)
        passed = result.own in (Verdict.PASS, Verdict.NONE)
        if not passed:
            self._open.add(case.id)
        if result.cause == IDENTITY:
            self._withheld = left_out = True
        if left_out or not known_s:
            return
        took_s = result.took_ms / 1000
        self._troubled += OF_LATE * (float(self._before_failed and not passed) - self._troubled)
        self._before_failed = not passed
        if passed:
            self._paces[known_s < OF_ANSWERS_S].learn(known_s, took_s)
        elif self._trouble_s is None:
            self._trouble_s = took_s
        else:
            self._trouble_s += OF_LATE * (took_s - self._trouble_s)

    @property
    def seconds(self) -> float:
        """So much is left, as far as is known now."""
        open_ = set(self._open)
        left_s = 0.0 if self._left_alone else self._likely_s(self._alone_s(open_))
        for case, known_s in self.ahead.values():
            if self._left_out(case, open_):
                open_.add(case.id)
            elif not case.quiet:
                left_s += self._likely_s(known_s)
        return left_s

    def _likely_s(self, known_s: float) -> float:
        """How long what is known to take so long will be in this run."""
        if not known_s:
            return 0.0
        sound_s = known_s * self._paces[known_s < OF_ANSWERS_S].slower
        trouble_s = sound_s if self._trouble_s is None else self._trouble_s
        return sound_s + self._troubled * (trouble_s - sound_s)

    def _alone_s(self, open_: Collection[str]) -> float:
        """The known length of the stretch that the cases ahead share which leave the node alone."""
        quiet = [(case, known_s) for case, known_s in self.ahead.values() if case.quiet]
        return max((known_s for case, known_s in quiet if not self._left_out(case, open_)), default=0.0)

    def _left_out(self, case: Case, open_: Collection[str]) -> bool:
        return bool(set(case.after) & set(open_)) or (case.moves and self._withheld)
