"""Good runs of a machine that stalls now and then are called the same, and what is planted in one is still found."""

from __future__ import annotations

from functools import cache
from math import inf
from random import Random
from statistics import fmean

import pytest

from conformance.recordings.diff.allowance import LEAST_RUNS, Judged, allowance_ms
from conformance.recordings.diff.differences import compare
from conformance.recordings.diff.event_log import EventLog, Names
from conformance.recordings.diff.events import event_log_of
from conformance.recordings.diff.scatter import ASSUMED_PART, Scatter
from conformance.recordings.diff.tolerance import Tolerance
from protocol.site_file import scenario
from tests.recordings.planted import later
from tests.rules_over_messages.bent import Tale, good_tale

RUNS, STALLS = 20, 4
NAMES = Names()


def stalled(seed: int) -> Tale:
    """Everything stands still a few times, for a while that has a far tail."""
    rng = Random(seed)
    tale = good_tale()
    for one in rng.sample(tale.said[20:], STALLS):
        later(tale, one, min(500, round(20 * rng.paretovariate(1.2))))
    return tale


def log_of(name: str, tale: Tale) -> EventLog:
    return event_log_of(name, tale.items(), NAMES)


@cache
def judged() -> tuple[list[Judged], float, list[EventLog], Scatter]:
    """Every good run but the first, held against it; what is allowed; the logs, and what was learned."""
    logs = [log_of(f"run {seed}", stalled(seed)) for seed in range(RUNS)]
    scatter = Scatter(logs, ASSUMED_PART)
    results = [compare(logs[:1], log, Tolerance(scenario()), scatter) for log in logs[1:]]
    allowed = allowance_ms([result.beyond_ms for result in results])
    return [Judged(result) for result in results], allowed, logs, scatter


def different(allowed: float) -> int:
    return sum(one.first(allowed) is not None for one in judged()[0])


def test_good_runs_of_a_machine_that_stalls_are_called_the_same() -> None:
    _, allowed, _, _ = judged()
    assert different(0.0) > RUNS / 4, "without an allowance many of them would be different"
    assert different(allowed) <= 0.05 * RUNS


def test_what_does_not_come_or_comes_far_too_late_is_still_found_and_named() -> None:
    _, allowed, logs, scatter = judged()
    late = good_tale()
    one = late.first("south", "job-report", step="lower-to-drop")
    later(late, one, 1_500)
    missing = good_tale()
    missing.said.remove(missing.first("south", "job-report", step="lower-to-drop"))
    missing.renumber("south")
    for tale, kind in ((late, "slower"), (missing, "missing")):
        result = compare(logs[:1], log_of(kind, tale), Tolerance(scenario()), scatter)
        first = Judged(result).first(allowed)
        assert first is not None
        assert (first.kind, first.sequence) == (kind, "south")
        assert first.led_to


def test_a_deadline_may_be_off_as_any_other_time_may() -> None:
    """How much of it is left is counted from the uptime that was heard last, which a stall makes older."""
    _, _, logs, scatter = judged()
    tale = good_tale()
    for one in tale.where("south", "job-order", act="transfer"):
        one.body["deadline"] -= 6_000
    judgement = Judged(compare(logs[:1], log_of("deadline", tale), Tolerance(scenario()), scatter))
    first = judgement.first(3_000.0)
    assert first is not None
    assert (first.kind, first.detail.partition(" instead")[0][:18]) == ("changed", "ms to the deadline")
    assert judgement.first(6_000.0) is None


def test_a_silence_is_a_time_too_but_for_one_without_an_end() -> None:
    _, _, logs, scatter = judged()
    for ends in (True, False):
        tale = good_tale()
        begin = tale.first("north", "job-report", act="transfer", state="done").at_us
        end = begin + 6_000_000 if ends else inf
        tale.said = [one for one in tale.said if one.node != "north" or not begin < one.at_us < end]
        tale.renumber("north")
        result = compare(logs[:1], log_of("silent", tale), Tolerance(scenario()), scatter)
        silences = [one.beyond_ms for one in result.differences if one.words == "north: falls silent"]
        assert len(silences) == 1
        assert (silences[0] < inf) == ends


def _changed_places(ms: int) -> tuple[Tale, Tale]:
    """A good run, and one in which a crane says first how it is and then that it has taken a job."""
    good, other = good_tale(), good_tale()
    for tale in (good, other):
        report = tale.first("south", "job-report", act="transfer", state="accepted")
        state = next(one for one in tale.said[tale.said.index(report) :] if one.message == "crane-status")
        assert (state.node, state.body["mode"]) == ("south", "ready")
        state.at_us, state.body["uptime"] = report.at_us + 1000, report.body["uptime"] + 1
        if tale is other:
            tale.said.remove(report)
            tale.said.insert(tale.said.index(state) + 1, report)
            report.at_us, report.body["uptime"] = state.at_us + 1000 * ms, state.body["uptime"] + ms
            tale.said.sort(key=lambda one: one.at_us)
            tale.renumber("south")
    return good, other


def test_which_of_two_topics_was_first_within_a_moment_is_chance() -> None:
    for ms, found in ((1, 0), (5, 1)):  # Behind 5 ms it would come after a later word on its own topic.
        good, other = (log_of(f"run {ms}", tale) for tale in _changed_places(ms))
        result = compare([good], other, Tolerance(scenario()))
        assert (len(result.differences) > 0) == found, (ms, [str(one) for one in result.differences])


def test_the_number_is_of_those_that_are_not_excused() -> None:
    results, allowed, _, _ = judged()
    for one in results:
        assert (one.first(allowed) is None) == (one.number(allowed) == 0)
        assert one.number(allowed) <= one.number(0.0)


def test_good_runs_that_keep_their_bounds_allow_nothing() -> None:
    assert allowance_ms([0.0] * 50) == 0.0


def test_a_few_runs_that_are_far_off_among_many_that_are_not_allow_nothing() -> None:
    """They may be those that are looked for: up to one in ten is not good though it looks so."""
    assert allowance_ms([0.0] * 91 + [5000.0] * 9) == 0.0


def test_few_runs_allow_nothing() -> None:
    assert allowance_ms([30.0] * (LEAST_RUNS - 1)) == 0.0
    assert allowance_ms([30.0] * LEAST_RUNS) == 30.0


@pytest.mark.parametrize("shape", [1.0, 1.5, 3.0])
def test_of_a_far_tail_one_in_fifty_is_beyond_as_the_quantiles_of_pareto_have_it(shape: float) -> None:
    """The quantile of 0.98 is that of 0.9 squared over that of 0.5, as (1 - q) ** (-1 / shape) says."""
    rng = Random(5)
    beyond = []
    for _ in range(200):
        drawn = [rng.paretovariate(shape) for _ in range(100)]
        beyond.append(fmean(one > allowance_ms(drawn) for one in drawn))
    assert fmean(beyond) == pytest.approx(0.02, abs=0.01)
