"""Waiting time that cases share: each says what it needs, all are left alone together, each judges."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from conformance.suite.case import Case
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observation, Observing
from conformance.suite.verdict import Broken, Unclear


@dataclass(slots=True)
class ObservationWindow:
    """One stretch for the cases that are due when the first of them is judged."""

    fixture: Fixture
    settle: Callable[[Fixture], object]
    """Brings the node to rest before a case begins. Raises Broken or Unclear."""
    _watching: dict[str, Observing] = field(default_factory=dict)
    _said: dict[str, tuple[Counter[str], list[Broken]]] = field(default_factory=dict)
    """What each case had judged, and warned of, when it began to wait."""
    _stopped: dict[str, Exception] = field(default_factory=dict)
    _quiet: Observation | None = None

    def judge(self, case: Case, due: Iterable[Case]) -> None:
        """Let the time pass if it has not, then end the case. Raises what its body does."""
        if self._quiet is None:
            self._pass_time(due)
        self.fixture.judged, self.fixture.warnings = self._said.get(case.id, (Counter(), []))
        if case.id in self._stopped:
            raise self._stopped[case.id]
        assert self._quiet is not None
        try:
            self._watching[case.id].send(self._quiet)
        except StopIteration:
            return
        raise RuntimeError(f"{case.id} wants to wait twice")

    def _pass_time(self, due: Iterable[Case]) -> None:
        longest = 0.0
        for case in due:
            body = case.body(self.fixture)
            assert body is not None
            self._watching[case.id] = body
            try:
                self.settle(self.fixture)
                self.fixture.judged, self.fixture.warnings = self._said[case.id] = Counter(), []
                longest = max(longest, next(body))
            except (Broken, Unclear) as error:
                self._stopped[case.id] = error
        began = self.fixture.bench.now_ms
        before = self.fixture.watch(longest)
        self._quiet = Observation(tuple(self.fixture.log.since(before)), began)
