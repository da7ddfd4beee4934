"""A limit in time is judged over a time that is longer than it, also where its case is run alone."""

from __future__ import annotations

from typing import Any

import pytest

import tests.faulty_nodes.every  # noqa: F401 - enters them all
from conformance.suite.span import see_for
from conformance.suite.verdict import Unclear, Verdict
from conformance.tester.evidence import Evidence
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import FAULTY, run_of

OF_TIMES = {
    "BeatsATenthTooSlowly": "messages-repeat",
    "NeverPings": "link-pings",
    "CountsInTensOfMilliseconds": "messages-uptime",
}
"""Nodes that are wrong about a time, and the case that judges it from all that was seen."""


def alone(name: str) -> Evidence:
    one = FAULTY[name]
    assert one.caught_by == OF_TIMES[name]
    result = one.run(only=(one.caught_by,)).perform()[one.caught_by]
    assert result.verdict is Verdict.FAIL, result.reason
    assert result.evidence is not None
    return result.evidence


@pytest.mark.parametrize("name", OF_TIMES)
def test_a_wrong_time_is_found_where_its_case_is_run_alone(name: str) -> None:
    assert alone(name).requirement == FAULTY[name].requirement


def test_a_period_that_is_too_long_is_no_timer_that_others_restart() -> None:
    assert not alone("BeatsATenthTooSlowly").causes


@pytest.mark.parametrize("case", OF_TIMES.values())
@pytest.mark.parametrize("node", ["north", "siding", "ferry"])
def test_a_sound_node_passes_it_alone(case: str, node: str) -> None:
    run = run_of(node, only=(case,))
    assert run.perform()[case].verdict is Verdict.PASS
    assert run.verdict is Verdict.PASS


def test_a_complete_run_is_long_enough_as_it_is() -> None:
    run = run_of("siding")
    for result in run.steps():
        if result.case.id == "messages-heartbeat":
            break
    sent, now_ms = run.fixture.log.end, run.fixture.bench.now_ms
    see_for(run.fixture, run.fixture.repeat_ms("status_repeat"))
    assert (run.fixture.log.end, run.fixture.bench.now_ms) == (sent, now_ms)


class DiesEarly(Controller):
    """Its program hangs from 2 s on."""

    def receive(self, delivery: Any, now_ms: int) -> Any:
        return [] if now_ms > 2_000 else super().receive(delivery, now_ms)

    def tick(self, now_ms: int) -> Any:
        return [] if now_ms > 2_000 else super().tick(now_ms)


def test_a_node_that_was_not_seen_for_so_long_is_not_judged() -> None:
    run = run_of("siding", controller=DiesEarly, only=("orders-ask",))
    run.perform()
    with pytest.raises(Unclear, match="and this takes 30000 ms"):
        see_for(run.fixture, 30_000)
