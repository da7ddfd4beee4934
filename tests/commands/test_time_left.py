"""How long a run of `conform` still takes, from given times: nothing here waits."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import pytest

from conformance.commands.conform import walking
from conformance.commands.conform.motion import allow_motion
from conformance.commands.conform.run_progress import RunProgress
from conformance.commands.conform.settings import Settings
from conformance.commands.conform.time_left import (
    FASTER,
    LEARNT_S,
    LONG_S,
    SLOWER,
    TimeLeft,
    length_s,
    lengths,
)
from conformance.commands.terminal import quiet
from conformance.commands.terminal.progress import duration
from conformance.suite.case import Case, all_cases
from conformance.suite.observation import Observing
from conformance.suite.verdict import Verdict
from conformance.tester.result import IDENTITY, Result
from conformance.tester.walk.length import Length
from protocol.site_file import scenario
from tests.faulty_nodes.every import FAULTY
from tests.faulty_nodes.faulty import run_of
from tests.tester.test_first_causes import HangsAtAHold

FAIL, PASS = Verdict.FAIL, Verdict.PASS


def case(id_: str, *after: str, **more: Any) -> Case:
    return Case(id_, "link", ("ORD-03",), lambda _fixture: None, "A page.", after=after, **more)


def alone(id_: str, *after: str) -> Case:
    """A case that leaves the node alone."""

    def waits(_fixture: object) -> Observing:
        yield 1_000.0

    return replace(case(id_, *after), body=waits)


def known(cases: Iterable[Case], seconds: float) -> dict[str, tuple[Case, float]]:
    return {one.id: (one, seconds) for one in cases}


def ended(left: TimeLeft, one: Case, seconds: float, verdict: Verdict = PASS, **more: Any) -> None:
    left.ended(one, Result(one, verdict, took_ms=1000 * seconds, **more))


def test_a_run_that_goes_as_it_is_known_to_go_takes_what_is_left_of_that() -> None:
    cases = [case(f"c{number}") for number in range(10)]
    left = TimeLeft(known(cases, 6.0))
    assert left.seconds == 60.0
    for done, one in enumerate(cases, 1):
        ended(left, one, 6.0)
        assert left.seconds == pytest.approx(60 - 6.0 * done)


def test_a_slow_board_is_believed_the_more_the_longer_it_was_seen() -> None:
    cases = [case(f"c{number}") for number in range(100)]
    left = TimeLeft(known(cases, 1.0))
    told = []
    for one in cases[:50]:
        ended(left, one, 3.0)
        told.append(left.seconds / len(left.ahead))
    assert told == sorted(told), "by one case it is not taken for three times as slow"
    assert told[0] == pytest.approx((LEARNT_S + 3) / (LEARNT_S + 1))
    assert told[-1] == pytest.approx((LEARNT_S + 150) / (LEARNT_S + 50))


@pytest.mark.parametrize(("took_s", "bound"), [(10_000.0, SLOWER), (0.0, FASTER)])
def test_what_one_run_has_shown_counts_only_so_much(took_s: float, bound: float) -> None:
    cases = [case(f"c{number}") for number in range(101)]
    left = TimeLeft(known(cases, 1.0))
    for one in cases[:100]:
        ended(left, one, took_s)
    assert left.seconds == pytest.approx(bound)


def test_a_node_that_has_fallen_silent_takes_its_time_outs_and_not_the_pace_of_what_passed() -> None:
    cases = [case(f"c{number}") for number in range(60)]
    left = TimeLeft(known(cases, 0.2))
    for one in cases[:20]:
        ended(left, one, 0.2)
    assert left.seconds == pytest.approx(40 * 0.2)
    for one in cases[20:30]:
        ended(left, one, 20.0, FAIL)
    assert left.seconds == pytest.approx(30 * 20.0, rel=0.15)
    for one in cases[30:40]:
        ended(left, one, 0.2)
    assert left.seconds < 20 * 20.0 * 0.15, "it has come back"


def test_slow_answers_make_no_wait_longer() -> None:
    cases = [case(f"c{number}") for number in range(200)]
    left = TimeLeft({**known(cases, 0.1), "long": (case("long"), 30.0)})
    for one in cases:
        ended(left, one, 0.4)
    assert left.seconds == pytest.approx(30.0)


def test_cases_that_leave_the_node_alone_share_the_time_of_the_longest_that_is_run() -> None:
    first, long, short, rest = (
        case("first"), alone("long", "first"), alone("short"), alone("rest"),
    )  # fmt: skip
    assert long.quiet
    assert not first.quiet
    ahead = {"first": (first, 1.0), "long": (long, 9.0), "short": (short, 5.0), "rest": (rest, 7.0)}
    left = TimeLeft(dict(ahead))
    assert left.seconds == 10.0
    ended(left, first, 1.0, FAIL)
    assert left.seconds == 7.0, "what the longest rests on has failed"
    ended(left, long, 0.0, Verdict.INCONCLUSIVE, cause="first")
    assert left.seconds == 7.0
    ended(left, short, 7.0)
    assert left.seconds == 0.0, "the time is over for all of them"


def test_one_case_that_runs_into_its_limit_is_no_silent_node() -> None:
    cases = [case(f"c{number}") for number in range(50)]
    left = TimeLeft(known(cases, 0.2))
    ended(left, cases[0], 20.0, FAIL)
    assert left.seconds == pytest.approx(49 * 0.2)


@pytest.mark.parametrize("name", ["KeepsOneOrderOnly", "CountsAHoldOnlyOnce"])
def test_over_a_node_with_one_mistake_it_falls_and_is_nothing_only_at_the_end(name: str) -> None:
    """On virtual time: what is told never rises by a tenth of the whole, and covers the wait at the end."""
    run = FAULTY[name].run()
    run.fixture.bench.wait(lambda: run.fixture.log.latest("node-status") is not None, 5_000)
    left = TimeLeft(lengths(run.ahead(), run.fixture.node.roles))
    told: list[tuple[float, float]] = []

    def progress(one: Case, result: Result | None) -> None:
        if result is not None:
            left.ended(one, result)
        elif not one.passive:
            told.append((run.fixture.bench.now_ms, left.seconds))

    run.progress = progress
    run.perform()
    end_ms = run.fixture.bench.now_ms
    assert any(result.verdict is FAIL for result in run.results.values())
    least = told[0][1]
    for now_ms, seconds in told:
        least = min(least, seconds)
        assert seconds < least + told[0][1] / 10, "it rises"
        assert seconds > (end_ms - now_ms) / 1000 / 2 - 0.1, "much more is left"


def test_a_long_case_is_no_longer_for_a_silent_node() -> None:
    cases = [case(f"c{number}") for number in range(40)]
    left = TimeLeft({**known(cases, 0.2), "long": (case("long"), 30.0)})
    for one in cases:
        ended(left, one, 2.0, FAIL)
    assert left.seconds == pytest.approx(2.0, rel=0.05)


def test_what_rests_on_a_case_that_failed_is_not_run_and_takes_no_time() -> None:
    first, behind = case("first"), case("behind", "first")
    far, other = case("far", "behind"), case("other")
    left = TimeLeft(known([first, behind, far, other], 5.0))
    ended(left, first, 5.0, FAIL)
    assert left.seconds == pytest.approx(5.0)
    before = left.seconds
    ended(left, behind, 0.0, Verdict.INCONCLUSIVE, cause="first")
    ended(left, far, 0.0, Verdict.INCONCLUSIVE, cause="first")
    assert left.seconds == before, "and says nothing of how long others take"


def test_where_nothing_moves_what_would_takes_no_time() -> None:
    moving = [case(f"m{number}", moves=True) for number in range(5)]
    left = TimeLeft(known([*moving, case("still")], 5.0))
    ended(left, moving[0], 0.0, Verdict.INCONCLUSIVE, cause=IDENTITY)
    assert left.seconds == pytest.approx(5.0)


def test_the_verdicts_of_an_earlier_run_take_no_time_and_show_none() -> None:
    cases = [case(f"c{number}") for number in range(4)]
    left = TimeLeft(known(cases, 5.0))
    ended(left, cases[0], 500.0, taken_over=True)
    assert left.seconds == 15.0


@pytest.mark.parametrize("node", ["ferry", "north"])
def test_over_a_node_that_hangs_it_is_near_what_the_rest_of_the_run_takes(node: str) -> None:
    """On virtual time. By the number of cases alone it was off by several times."""
    run = run_of(node, controller=HangsAtAHold)
    run.fixture.bench.wait(lambda: run.fixture.log.latest("node-status") is not None, 5_000)
    left = TimeLeft({one.id: (one, length_s(one, run.fixture.node.roles)) for one in run.ahead()})
    told: list[tuple[float, float]] = []
    failed = 0

    def progress(one: Case, result: Result | None) -> None:
        nonlocal failed
        if result is not None:
            left.ended(one, result)
            failed += result.own is FAIL or result.took_ms > 1000
        elif failed > 8:
            told.append((run.fixture.bench.now_ms, left.seconds))

    run.progress = progress
    run.perform()
    end_ms = run.fixture.bench.now_ms
    assert len(told) > 20
    for now_ms, seconds in told:
        assert seconds == pytest.approx((end_ms - now_ms) / 1000, rel=0.2, abs=2.0)


def test_the_line_of_progress_tells_it(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[float | None] = []
    monkeypatch.setattr(
        "conformance.commands.terminal.progress.Progress.at",
        lambda _self, _number, _text="", left_s=None, **_more: told.append(left_s),
    )
    shown = RunProgress("ferry")
    first, second, passive = all_cases()["link-says-on"], all_cases()["hold-ends"], case("p", passive=True)
    walk = case("walk")
    shown.foresee([first, second, passive, walk], ("shuttle",), 40.0)
    for one in (first, second):
        shown.at(one, None)
        shown.at(one, Result(one, PASS, took_ms=1000 * length_s(one, ("shuttle",))))
    shown.at(walk, None)
    assert told == pytest.approx([44.35, 44.2, 40.0])
    stands = type("Earlier", (), {"acts_again": lambda _self, one: one is not second})()
    shown.foresee([first, second], ("shuttle",), resumed=stands)
    shown.at(first, None)
    assert told[-1] == pytest.approx(0.15)


def test_the_line_of_progress_says_what_has_failed_as_soon_as_it_has(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where it is piped: that line comes at once, and what failed later stands in the line a minute."""
    told = io.StringIO()
    monkeypatch.setattr(sys, "stderr", told)
    monkeypatch.setattr(quiet, "_quiet", False)
    shown = RunProgress("ferry")
    cases = [case("sound"), case("wrong"), case("next"), case("wrong-too"), case("last")]
    shown.foresee(cases, ("shuttle",))
    for one in cases:
        shown.at(one, None)
        shown.at(one, Result(one, FAIL if one.id.startswith("wrong") else PASS))
    assert told.getvalue() == "2 of 5 cases, less than 1 min left, 1 failed: wrong; ferry: next\n"
    assert shown.failed() == "2 failed: the first wrong"


def test_what_is_not_selected_and_what_rests_on_a_failure_is_no_failure() -> None:
    shown = RunProgress("ferry")
    for verdict in (PASS, Verdict.NONE, Verdict.INCONCLUSIVE):
        shown.at(case("c"), Result(case("c"), verdict))
    assert shown.failed() == ""
    shown.at(case("e"), Result(case("e"), Verdict.ERROR))
    assert shown.failed() == "1 failed: e"


@pytest.mark.parametrize("walk", [0, 1])
def test_the_question_before_motion_names_the_time_of_the_whole_run(
    walk: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = Settings("siding", (), True, True, False, 1.0, 1, {}, walk, None, False, None, None, None)
    monkeypatch.setattr(walking, "foreseen", lambda *_which, **_more: Length(100, 10, 600.0))
    allow_motion(settings, scenario(), None)
    told = " ".join(capsys.readouterr().err.split())
    all_ = [one for one in all_cases().values() if "berth" in one.roles]
    of_cases = sum(length_s(one, ("berth",)) for one in all_ if not one.quiet)
    of_cases += max(length_s(one, ("berth",)) for one in all_ if one.quiet)
    assert of_cases > 120
    assert f"The whole run takes about {duration(of_cases + 600.0 * walk)}." in told
    assert ("about 10 minutes of that time" in told) == bool(walk)


def test_lengths_are_of_cases_that_there_are() -> None:
    for role, known_s in LONG_S.items():
        for id_ in known_s:
            assert role == "node" or role in all_cases()[id_].roles, id_
    assert length_s(case("x"), ("crane",)) == length_s(case("x"), ())
