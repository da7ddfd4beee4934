"""A limit in time that overlaps a stall of the test machine is judged again: never failed by it.

Nor is it passed where the stall lies at its begin or end, and could have made a time seem to fit that does not.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from random import Random

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.reports import as_html, as_text
from conformance.reports.document import document
from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observing
from conformance.suite.stalls import NOTICED_MS, Kind, Stall, Stalls, StoodStill
from conformance.suite.verdict import Broken, Verdict
from conformance.tester.judging_again import TRIES
from conformance.tester.result import Result
from conformance.tester.runner import Run
from tests.faulty_nodes.every import FAULTY
from tests.faulty_nodes.faulty import run_of


def still(run: Run, stalls: Iterable[tuple[float, float]], *, noticed: bool = True) -> Run:
    """The same run on a machine that stands still at those instants for so long, in ms."""
    bench = run.fixture.bench
    assert isinstance(bench, VirtualBench)
    for begin, length in stalls:
        bench.stand_still(begin, length, noticed=noticed)
    return run


def often(length: float, every: float, until: float = 400_000) -> list[tuple[float, float]]:
    return [(at * every + 300, length) for at in range(int(until / every))]


def fails(results: dict[str, Result]) -> set[str]:
    return {id_ for id_, result in results.items() if result.verdict is Verdict.FAIL}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("length", "every"),
    [
        (700, 7_100),
        pytest.param(260, 1_900, marks=pytest.mark.exhaustive),
        pytest.param(3_000, 23_000, marks=pytest.mark.exhaustive),
    ],
)
def test_a_machine_that_stands_still_fails_no_node(length: float, every: float) -> None:
    run = still(run_of("ferry"), often(length, every))
    assert fails(run.perform()) == set()
    spoilt = [result.case.id for result in run.results.values() if result.verdict is Verdict.ERROR]
    assert spoilt == []


@pytest.mark.slow
def test_the_same_unnoticed_fails_it() -> None:
    """Else the test above shows nothing."""
    assert fails(still(run_of("ferry"), often(700, 7_100), noticed=False).perform()) != set()


@pytest.mark.parametrize("name", ["BeatsATenthTooSlowly", "SaysWhoItIsTooSeldom"])
def test_a_node_that_is_too_slow_fails_beside_stalls_that_do_not_cover_all(name: str) -> None:
    wrong = FAULTY[name]
    run = still(wrong.run(only=(wrong.caught_by, "messages-heartbeat")), often(120, 17_000))
    assert run.perform()[wrong.caught_by].verdict is Verdict.FAIL


def test_a_node_that_is_too_slow_does_not_pass_where_stalls_cover_each_of_its_gaps() -> None:
    """Nor does it fail: nobody can say whose fault the gap is."""
    wrong = FAULTY["BeatsATenthTooSlowly"]
    run = still(wrong.run(only=("messages-repeat", "messages-heartbeat")), often(100, 900))
    result = run.perform()["messages-repeat"]
    assert (result.verdict, result.tries) == (Verdict.INCONCLUSIVE, TRIES)
    assert "limits in time are open" in result.reason


def test_what_was_left_open_once_is_looked_for_again_and_passes() -> None:
    """A heartbeat that only seemed late: the stall is over when the node is watched for it again."""
    run = still(run_of("ferry", only=("messages-repeat", "messages-heartbeat")), [(2_000, 2_500)])
    result = run.perform()["messages-repeat"]
    assert (result.verdict, result.tries) == (Verdict.PASS, 2)


def timed(fits: bool, span: tuple[float, float]) -> Case:
    def body(fixture: Fixture) -> None:
        begin = fixture.bench.now_ms
        fixture.ask()
        fixture.watch(100)
        fixture.in_time(fits, (begin + span[0], begin + span[1]), "ORD-03", "a time", "another")

    return Case("link-timed", "link", ("ORD-03",), body, "A page.", after=())


@pytest.mark.parametrize("fits", [True, False])
def test_what_a_stall_covers_is_judged_again_whichever_way_it_looked(fits: bool) -> None:
    """The first try is covered, the second is not."""
    run = run_of("ferry")
    list(run.steps([all_cases()["link-says-on"]]))
    now = run.fixture.bench.now_ms
    still(run, [(now + 50, 60.0)])
    result = run.perform([timed(fits, (0, 100))])["link-timed"]
    assert (result.verdict, result.tries) == (Verdict.PASS if fits else Verdict.FAIL, 2)


@pytest.mark.parametrize(
    ("fits", "at_ms", "tries"),
    [(True, 200, 1), (False, 200, 2), (True, 0, 2), (True, 430, 2), (True, 510, 2), (True, 530, 1)],
)
def test_a_stall_spoils_what_fits_at_the_two_ends_of_a_time_only(
    fits: bool, at_ms: float, tries: int
) -> None:
    """In the middle it can only have made the node later, which it was not; a short one matters nowhere."""
    seen: list[float] = []
    run = run_of("ferry")

    def body(fixture: Fixture) -> None:
        begin = fixture.bench.now_ms
        if not seen:
            still(run, [(begin + at_ms, 60.0)])
        seen.append(begin)
        fixture.watch(700)
        fixture.in_time(fits, (begin, begin + 500), "ORD-03", "a time", "another")

    case = Case("link-timed", "link", ("ORD-03",), body, "A page.", after=())
    result = run.perform([case])["link-timed"]
    assert (result.verdict, result.tries) == (Verdict.PASS if fits else Verdict.FAIL, tries)


def test_a_stall_in_the_time_that_cases_share_spoils_each_of_them_once() -> None:
    """The wait is over before the second of them is judged: it is judged again in a wait of its own."""

    def named(id_: str) -> Case:
        def body(fixture: Fixture) -> Observing:
            quiet = yield 500
            began = quiet.began_ms
            fixture.in_time(True, (began + 100, began + 500), "ORD-03", "a time", "another")

        return Case(id_, "link", ("ORD-03",), body, "A page.", after=())

    run = run_of("ferry")
    list(run.steps([all_cases()["link-says-on"]]))
    now = run.fixture.bench.now_ms
    still(run, [(now + 470, 60.0)])
    results = run.perform([named("link-first"), named("link-second")])
    tried = {id_: (results[id_].verdict, results[id_].tries) for id_ in ("link-first", "link-second")}
    assert tried == dict.fromkeys(("link-first", "link-second"), (Verdict.PASS, 2))


@pytest.mark.parametrize("fits", [True, False])
def test_what_is_covered_each_time_is_inconclusive_and_says_why(fits: bool) -> None:
    run = still(run_of("ferry"), ((at, 60) for at in range(0, 20_000, 100)))
    result = run.perform([timed(fits, (0, 100))])["link-timed"]
    assert (result.verdict, result.tries) == (Verdict.INCONCLUSIVE, TRIES)
    assert "the test machine stood still" in result.reason
    assert result.evidence is None


def test_a_breach_that_a_message_shows_is_one_beside_a_short_stall_too() -> None:
    """Its time does not matter: the message says what is wrong."""

    def body(fixture: Fixture) -> None:
        report = fixture.ask().report
        fixture.check(False, "ORD-03", "one thing", "another", report)

    run = still(run_of("ferry"), often(60, 100, 20_000))
    run.perform([Case("link-shown", "link", ("ORD-03",), body, "A page.", after=())])
    assert (run.results["link-shown"].verdict, run.results["link-shown"].tries) == (Verdict.FAIL, 1)


def test_what_is_missing_while_it_stood_still_is_looked_for_again() -> None:
    calls: list[int] = []

    def body(fixture: Fixture) -> None:
        calls.append(1)
        fixture.watch(100)
        fixture.judged["ORD-03"] += 1
        if len(calls) == 1:
            raise Broken("ORD-03", "a message", "none")

    run = run_of("ferry")
    list(run.steps([all_cases()["link-says-on"]]))
    still(run, [(run.fixture.bench.now_ms + 50, 60.0)])
    run.perform([Case("link-missing", "link", ("ORD-03",), body, "A page.", after=())])
    assert (run.results["link-missing"].verdict, len(calls)) == (Verdict.PASS, 2)


def test_how_long_it_stood_still_between_two_instants() -> None:
    stalls = Stalls()
    stalls.add(Stall(100, 200, "timer"))
    stalls.add(Stall(150, 250, "path"))
    stalls.add(Stall(300, 300 + NOTICED_MS - 1, "timer"))
    assert stalls.within(0, 100) == 0
    assert stalls.within(0, 1000) == 100
    assert stalls.within(190, 1000) == 60
    assert stalls.count == 2
    stalls.pending = lambda: (Stall(900, 1000, "path"),)
    assert stalls.within(950, 960) == 10, "one that lasts counts too"


def test_a_passive_case_leaves_out_what_is_covered() -> None:
    run = run_of("ferry")
    fixture = run.fixture
    fixture.can_repeat = False
    fixture.bench.stalls.add(Stall(100, 200, "timer"))
    fixture.in_time(False, (150, 300), "ORD-03", "one", "another")
    assert fixture.judged["ORD-03"] == 0
    with pytest.raises(Broken):
        fixture.in_time(False, (200, 300), "ORD-03", "one", "another")
    fixture.can_repeat = True
    with pytest.raises(StoodStill):
        fixture.in_time(True, (150, 300), "ORD-03", "one", "another")


def test_every_report_says_how_often_it_stood_still_and_what_was_judged_again() -> None:
    run = run_of("ferry")
    list(run.steps([all_cases()["link-says-on"]]))
    still(run, [(run.fixture.bench.now_ms + 50, 60.0)])
    run.perform([timed(True, (0, 100))])
    report = document(run, seed=1)
    assert report["stalls"]["count"] == 1
    assert report["stalls"]["longest_ms"] == 60
    assert report["stalls"]["judged_again"] == ["link-timed"]
    line = "the test machine stood still once, for 60 ms at the longest; judged again: link-timed"
    assert line in " ".join(as_text.render(report).split())
    assert line in as_html.render(report)
    assert "stood still" not in as_text.render(document(run_of("ferry"), seed=1))


@pytest.mark.parametrize("late", [0, 3], ids=["first", "another"])
@pytest.mark.parametrize("known", [True, False], ids=["stood still", "did not"])
def test_a_message_that_a_stall_held_back_tells_no_wrong_uptime(late: int, known: bool) -> None:
    """It comes a little after the end of the stall, as what has waited before it has to pass first."""
    run = run_of("ferry")
    list(run.steps([all_cases()["link-says-on"]]))
    fixture = run.fixture
    for _ in range(4):
        fixture.watch(1_000)
        fixture.ask()
    told = [at for at, one in enumerate(fixture.log.messages) if one.from_node and "uptime" in one.body]
    at = told[late * 4]
    was = fixture.log.messages[at]
    fixture.log.messages[at] = replace(was, trace=replace(was.trace, at_ms=was.at_ms + 600))
    if known:
        fixture.bench.stalls.add(Stall(was.at_ms, was.at_ms + 580, "timer"))
    fixture.can_repeat = False
    body = all_cases()["messages-uptime"].body
    if known:
        body(fixture)
    else:
        with pytest.raises(Broken):
            body(fixture)


def _many(number: int) -> Stalls:
    rng, stalls = Random(3), Stalls()
    for at in range(number):
        begin_ms = at * 200 + rng.uniform(0, 100)
        kind: Kind = rng.choice(("timer", "path", "node"))
        stalls.add(Stall(begin_ms, begin_ms + rng.uniform(41, 900), kind))
    return stalls


def test_what_overlaps_a_time_is_found_wherever_it_was_entered() -> None:
    """Compared with a look at every one; they overlap each other, and are not entered by their ends."""
    stalls, rng = _many(400), Random(4)
    for _ in range(300):
        begin_ms = rng.uniform(-500, 82_000)
        end_ms = begin_ms + rng.choice((0.0, 40.0, 3_000.0))
        sums = {
            kind: sum(max(0.0, min(end_ms, one.end_ms) - max(begin_ms, one.begin_ms)) for one in known)
            for kind, known in stalls._known.items()
        }
        assert stalls.within(begin_ms, end_ms) == pytest.approx(max(sums.values()))


def test_a_look_at_one_time_looks_not_at_every_stall_of_the_run() -> None:
    """A long run on a busy machine asks a hundred thousand times, with thousands of stalls."""
    stalls = _many(6_000)
    assert all(len(list(stalls._about(at_ms, at_ms + 40.0))) < 20 for at_ms in range(0, 1_200_000, 50_000))
