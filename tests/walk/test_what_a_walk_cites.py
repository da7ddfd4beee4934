"""A difference is told by the requirement that was broken, and with no hint that cannot be true."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.tester.evidence import Evidence
from reference_node.controller.controller import Controller
from reference_node.controller.faults import FaultRegister
from reference_node.roles.berth import Berth
from tests.walk.walking import walk


class SaysDoneAtTheStart(Controller):
    """Reports an admit as done as soon as the motor is on."""

    class berth_class(Berth):  # noqa: N801
        def start(self, now_ms: int) -> None:
            super().start(now_ms)
            if self._act == "admit":
                self.host.finish()


class LeavesAtTheFirstChange(Controller):
    """Says that a train is gone while it stands on the arming sensor: `clear_ms` is not waited for."""

    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Any, site: Any, motor: Any, levels: Any) -> None:
            super().__init__(host, replace(site, clear_ms=1), motor, levels)


class CountsWhatDoesNotStand(FaultRegister):
    def raise_(self, code: str, *, part: str | None = None, job: int | None = None) -> None:
        stood, count = code in self.active, self.count
        super().raise_(code, part=part, job=job)
        self.count = count if stood else self.count


class CountsAFaultOnce(Controller):
    """Does not count a fault that comes again while it stands."""

    faults_class = CountsWhatDoesNotStand


def evidence(controller: type[Controller]) -> Evidence:
    result, _ = walk("siding", controller)
    assert result.evidence is not None, result.reason
    return result.evidence


@pytest.mark.parametrize(
    ("controller", "requirement", "seen", "hint"),
    [
        (SaysDoneAtTheStart, "ORD-16", " done", ""),
        (LeavesAtTheFirstChange, "BER-02", "the train is 'gone' ", ""),
        (CountsAFaultOnce, "FLT-02", "faults ", "a fault that comes again while it stands is not counted"),
    ],
)
def test_what_is_cited(controller: type[Controller], requirement: str, seen: str, hint: str) -> None:
    told = evidence(controller)
    assert told.requirement == requirement
    assert seen in told.seen
    assert [one[: len(hint)] for one in told.causes] == ([hint] if hint else [])
