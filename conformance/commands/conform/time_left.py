"""How long a run still takes: known lengths of its cases, corrected by what this run has shown so far.

A case that passes takes its known length, times how much slower this board and its link have been until now. One that
does not, runs into its limits in time, whatever its length: as long as the last of its kind, and as likely as of late.
A case that rests on one that did not pass is not run.
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
        "encoding-flood": 4.0,
        "hold-ends": 4.2,
        "link-comes-back": 0.8,
        "link-keeps-state": 1.9,
        "orders-late-across-wrap": 10.6,
        "orders-late-start": 5.1,
        "orders-rate": 1.0,
    },
    "crane": {
        "bench-job-across-wrap": 5.2,
        "crane-box-in-the-air": 9.6,
        "crane-cancel-too-late": 4.1,
        "crane-homes": 2.5,
        "crane-pick-missed": 2.8,
        "crane-table": 3.1,
        "crane-transfer": 5.6,
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
        "faults-warn-keeps-job": 3.2,
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
        "hold-keeps-time-out": 21.1,
        "shuttle-pushed": 8.8,
        "shuttle-stop-missed": 20.3,
    },
}
"""What takes about a second and more, in s: the reference nodes of harlow-basin, of any role or of one."""
SLOWER, FASTER = 20.0, 1 / 4
"""The bounds of how much slower and how much faster than known a run is taken to be."""
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
class TimeLeft:
    """What is left of one run, from the cases ahead of it in their order, each with its known length in s."""

    ahead: dict[str, tuple[Case, float]]
    _open: set[str] = field(default_factory=set)
    """Cases that did not pass: what rests on them is not run."""
    _withheld: bool = False
    _known_s: float = LEARNT_S
    _took_s: float = LEARNT_S
    _troubled: float = 0.0
    """How much of late did not pass."""
    _trouble_s: float | None = None
    """How long such a case took of late."""

    def ended(self, case: Case, result: Result) -> None:
        """One more has its result."""
        _, known_s = self.ahead.pop(case.id, (case, 0.0))
        left_out = self._left_out(case, self._open) or result.taken_over
        passed = result.own in (Verdict.PASS, Verdict.NONE)
        if not passed:
            self._open.add(case.id)
        if result.cause == IDENTITY:
            self._withheld = left_out = True
        if left_out or not known_s:
            return
        took_s = result.took_ms / 1000
        self._troubled += OF_LATE * (float(not passed) - self._troubled)
        if passed:
            self._known_s, self._took_s = self._known_s + known_s, self._took_s + took_s
        elif self._trouble_s is None:
            self._trouble_s = took_s
        else:
            self._trouble_s += OF_LATE * (took_s - self._trouble_s)

    @property
    def seconds(self) -> float:
        """So much is left, as far as is known now."""
        pace = min(max(self._took_s / self._known_s, FASTER), SLOWER)
        open_, left_s = set(self._open), 0.0
        for case, known_s in self.ahead.values():
            if self._left_out(case, open_):
                open_.add(case.id)
            elif known_s:
                sound_s = known_s * pace
                trouble_s = sound_s if self._trouble_s is None else self._trouble_s
                left_s += sound_s + self._troubled * (trouble_s - sound_s)
        return left_s

    def _left_out(self, case: Case, open_: Collection[str]) -> bool:
        return bool(set(case.after) & set(open_)) or (case.moves and self._withheld)
