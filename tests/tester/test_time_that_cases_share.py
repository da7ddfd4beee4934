"""The window in which cases wait together, with a fixture that only writes down what was done with it."""

from __future__ import annotations

from collections import Counter
from types import SimpleNamespace
from typing import Any, cast

import pytest

from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observation, Observing
from conformance.suite.verdict import Broken, Unclear
from conformance.tester.observation_window import ObservationWindow
from tests.tester.small_cases import case


def waits(ms: float, *, warns: str = "", says: str = "") -> Any:
    def body(fixture: Fixture) -> Observing:
        if warns:
            fixture.warnings.append(Broken(warns, "a", "b"))
        fixture.judged["ORD-03"] += 1
        seen: Observation = yield ms
        if says:
            raise Unclear(f"{says} {len(seen.heard)} {seen.began_ms}")

    return body


def window(*stops: str) -> tuple[ObservationWindow, list[Any]]:
    """A window whose fixture writes down what was done; to settle before the cases of `stops` fails."""
    did: list[Any] = []
    left = list(stops)

    def settle(_fixture: object) -> None:
        did.append("settle")
        if left and left.pop(0):
            raise Unclear("no rest")

    def watch(ms: float) -> int:
        did.append(ms)
        return 7

    fixture = SimpleNamespace(
        judged=Counter(), warnings=[], bench=SimpleNamespace(now_ms=50.0), watch=watch,
        log=SimpleNamespace(since=lambda before: ["m"] * before),
    )  # fmt: skip
    return ObservationWindow(cast("Fixture", fixture), settle), did


def test_all_that_is_due_waits_as_long_as_the_longest_needs_and_each_judges_what_was_heard() -> None:
    cases = [
        case("a", waits(100, warns="LNK-16")),
        case("b", waits(300)),
        case("c", waits(200, says="heard")),
    ]
    shared, did = window()
    shared.judge(cases[0], cases)
    assert did == ["settle", "settle", "settle", 300]
    assert [one.requirement for one in shared.fixture.warnings] == ["LNK-16"]
    assert shared.fixture.judged == {"ORD-03": 1}
    shared.judge(cases[1], [])
    assert (shared.fixture.warnings, shared.fixture.judged) == ([], {"ORD-03": 1})
    with pytest.raises(Unclear, match=r"^heard 7 50\.0$"):
        shared.judge(cases[2], [])
    assert len(did) == 4, "the time has passed once"


def test_one_that_cannot_begin_does_not_hold_up_the_others() -> None:
    cases = [case("a", waits(100)), case("b", waits(50)), case("c", waits(20))]
    shared, did = window("", "stop", "")
    shared.judge(cases[0], cases)
    assert did[-1] == 100
    with pytest.raises(Unclear, match="no rest"):
        shared.judge(cases[1], [])
    assert (shared.fixture.judged, shared.fixture.warnings) == ({}, [])
    shared.judge(cases[2], [])
