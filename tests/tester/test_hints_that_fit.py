"""No hint without its premise: what is told of nodes whose mistake is known, and what is not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

import tests.faulty_nodes.every  # noqa: F401 - enters them all
from conformance.suite.verdict import Verdict
from conformance.tester.evidence import Evidence
from protocol.guards import Order
from reference_node.controller.controller import Controller
from reference_node.roles.berth import Berth
from reference_node.roles.role import Role
from tests.faulty_nodes.faulty import FAULTY, run_of


def evidence(case: str, controller: type[Controller], node: str = "siding") -> Evidence:
    """What fails a case over a node."""
    result = run_of(node, controller=controller, only=(case,)).perform()[case]
    assert result.verdict is Verdict.FAIL, result.reason
    assert result.evidence is not None
    return result.evidence


@pytest.mark.parametrize(
    ("name", "hints"),
    [
        ("AsksForNoKeepAlive", ["default keep-alive is 0"]),
        ("AsksForASecondTooMuch", []),
        ("HasNoWill", []),
        ("WillOfTheConnectionBefore", ["built once, or before its connection is counted"]),
        ("WillIsNotRetained", ["retain is left at its default"]),
        ("WillSaysTooMuch", ["repeats the whole node-status"]),
        ("LeavesAllOut", ["the topic of 'all' was forgotten"]),
        ("SubscribesToEveryNode", ["one wildcard subscription"]),
        ("SaysOnLast", ["another state message is published first"]),
        ("CountsConnectionsOnce", ["raised at boot and not at every connection"]),
        ("ComesBackATenthTooSoon", ["tries to connect at every pass"]),
        ("ComesBackATenthTooLate", []),
        ("IdentifierTooLong", []),
        ("NeverAcknowledges", []),
        ("AcknowledgesATenthTooLate", ["the callback does the work"]),
        ("SortsKeysBackwards", ["in the order of the code"]),
        ("CountsFaultsInSixteenBitsSigned", ["a 16-bit int has wrapped"]),
        ("SilentAboutBadMessages", []),
        ("OverlooksTails", ["where it ended with the length"]),
        ("BuiltWithAnOlderSiteFile", ["an older site file"]),
        ("HandlesNewestFirst", []),
        ("SilentAboutUnknownActs", []),
        ("TakesAnyBoot", ["the boot of the order is not compared"]),
        ("WrongBootRaisesMark", ["raised before the boot is compared"]),
        ("TakesTheMarkItself", []),
        ("RaisesMarkOnlyForFitOrders", ["only when an order is accepted"]),
        ("TakesTwoJobs", ["looks at the motor"]),
        ("AnswersCancelsUnderTheirOwnId", ["carries the cancel's own id"]),
        ("ClaimsLowerTheMark", ["without being compared"]),
        ("RefusesARepeatedClaim", []),
        ("ClaimsEndTheJob", []),
        ("DeafToHoldsForAll", ["on the node's own topic only"]),
        ("CountsAHoldOnlyOnce", []),
        ("TakesEveryHoldBehindTheFirstForARepeat", []),
        ("TakesJobsWhileHeld", []),
        ("CraneGoesOnWhileHeld", ["the next step of the job starts it again"]),
        ("HaltsAreNotCounted", []),
        ("CraneTakesTheNextLowerEntry", ["integer division"]),
        ("CraneGoesOnBeyondItsTable", ["used beyond its end"]),
        ("BerthCountsPulses", ["in place of waiting for the arming sensor"]),
        ("BerthHidesIgnoredPulses", []),
        ("BerthDoesNotDebounce", ["there is no debounce"]),
    ],
)
def test_of_a_known_mistake_that_hint_is_told_and_no_other(name: str, hints: list[str]) -> None:
    one = FAULTY[name]
    result = one.run(only=(one.caught_by,)).perform()[one.caught_by]
    assert result.evidence is not None
    causes = result.evidence.causes
    assert len(causes) == len(hints), causes
    assert all(part in text for part, text in zip(hints, causes, strict=True)), causes


class IgnoredPulsesAddUp(Controller):
    class berth_class(Berth):  # noqa: N801
        before = 0

        def start(self, now_ms: int) -> None:
            self.before += self.arrival.ignored if self._act == "admit" else 0
            super().start(now_ms)

        def body(self) -> dict[str, Any]:
            said = super().body()
            return said | {"ignored": said["ignored"] + self.before}


def test_a_count_that_is_not_begun_again_is_told_from_pulses_that_are_counted() -> None:
    told = evidence("berth-ignores-pulses", IgnoredPulsesAddUp)
    assert told.causes == ("the count of ignored pulses is not begun again with each admit",)


class FailsByAFaultAtAClaim(Controller):
    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        super().answer(order, state, reason)
        if order["act"] == "claim" and self.job is not None and self.job.is_open:
            self.halt(self.roles["berth"], "input-lost", "arming")


def test_a_job_that_a_fault_has_ended_is_told_by_its_fault_and_not_by_what_the_case_is_about() -> None:
    told = evidence("claim-keeps-job", FailsByAFaultAtAClaim)
    assert told.requirement == "CLM-03"
    assert told.seen.startswith("admit ")
    assert told.seen.endswith(" failed with 'input-lost' (arming)")
    assert len(told.causes) == 1
    assert told.causes[0].startswith("see to 'input-lost' first. What brings it: ")


class LeavesAtTheFirstChange(Controller):
    """Says that a train is gone while it stands on the arming sensor: the next admit finds that closed."""

    class berth_class(Berth):  # noqa: N801
        def __init__(self, host: Any, site: Any, motor: Any, levels: Any) -> None:
            super().__init__(host, replace(site, clear_ms=1), motor, levels)


def test_a_berth_that_leaves_too_early_fails_for_that_and_drags_nothing_along() -> None:
    results = run_of("siding", controller=LeavesAtTheFirstChange).perform()
    told = {one.requirement for result in results.values() for one in result.breaches}
    assert told == {"BER-02"}


class SaysArmingIsClosed(FailsByAFaultAtAClaim):
    """And it says in all its states that the arming sensor is closed."""

    def _inputs(self, role: Role) -> dict[str, Any]:
        return {"inputs": 1}


def test_a_sensor_that_was_closed_already_is_named_with_the_fault() -> None:
    told = evidence("claim-keeps-job", SaysArmingIsClosed)
    assert "'arming' was closed already when the admit began." in told.causes[0]


def test_a_fault_that_the_case_brings_about_is_no_surprise() -> None:
    one = FAULTY["HaltsAreNotCounted"]
    result = one.run(only=(one.caught_by,)).perform()[one.caught_by]
    assert result.evidence is not None
    assert result.evidence.seen == "0"
