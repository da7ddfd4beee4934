"""What a run makes of results, by themselves: which finding stands first, what rests on what, what was left out."""

from __future__ import annotations

from math import inf
from types import SimpleNamespace
from typing import Any, cast

import pytest

from conformance.oracle.motion import SWITCHED_ON
from conformance.suite.bench import CannotJudge
from conformance.suite.fixture import Fixture
from conformance.suite.stalls import StoodStill
from conformance.suite.verdict import Broken, NoOccasion, Unclear, Verdict
from conformance.tester import runner
from conformance.tester.evidence import Evidence, EvidenceLine
from conformance.tester.result import Result
from conformance.tester.runner import (
    NOTHING_TO_JUDGE,
    OPENING,
    Run,
    Selection,
    by_id,
    not_selected,
    order,
    with_prerequisites,
)
from tests.tester.small_cases import case, judges, passes


def evidence(at: int | None, requirement: str = "ORD-05", seen: str = "another") -> Evidence:
    """A finding that packet `at` shows; None where it is one that did not come."""
    lines = tuple(EvidenceLine(n, 0.0, True, "ferry", "x", "", n == at) for n in range(20))
    return Evidence(requirement, "A sentence.", "MUST", "one thing", seen, (), lines)


def ordered(number: int, act: str | None = "run", *, from_node: bool = False) -> SimpleNamespace:
    body = {} if act is None else {"act": act}
    return SimpleNamespace(number=number, from_node=from_node, body=body)


def run_over(*messages: SimpleNamespace, roles: tuple[str, ...] = ("shuttle",), **more: Any) -> Run:
    log = SimpleNamespace(messages=list(messages), end=30)
    bench = SimpleNamespace(now_ms=0.0, line=None, can_restart=True, absence=lambda: "")
    node = SimpleNamespace(roles=roles, name="ferry")
    given = {"log": log, "bench": bench, "node": node, "site": None, "minor": 0, "on_bench": True} | more
    return Run(cast("Fixture", SimpleNamespace(**given)))


def result(id_: str, verdict: Verdict, *after: str, **more: Any) -> Result:
    return Result(case(id_, passes, *after), verdict, **more)


# ---------------------------------------------------------------- which of two findings
@pytest.mark.parametrize(
    ("own", "judged", "messages", "first"),
    [
        (evidence(10), evidence(12), [ordered(5)], True),
        (evidence(10), evidence(6), [ordered(5)], True),
        (evidence(10), evidence(5), [ordered(5)], False),
        (evidence(10), evidence(4), [ordered(5)], False),
        (evidence(10), evidence(4), [ordered(3), ordered(10)], True),
        (evidence(10), evidence(4), [ordered(3), ordered(9)], False),
        (evidence(10), evidence(4), [ordered(3), ordered(9, "ask")], True),
        (evidence(10), evidence(4), [ordered(3), ordered(9, None)], True),
        (evidence(10), evidence(4), [ordered(3), ordered(9, from_node=True)], True),
        (evidence(10), evidence(1), [], True),
        (evidence(10), evidence(0), [], False),
        (evidence(10), evidence(6, seen=f"{SWITCHED_ON} x"), [ordered(5)], False),
        (evidence(10), evidence(10, seen=f"{SWITCHED_ON} x"), [ordered(5)], True),
        (evidence(10), evidence(6, seen=f"no {SWITCHED_ON}"), [ordered(5)], True),
        *((evidence(None), evidence(6, requirement), [], True) for requirement in ("ORD-01", "ORD-03", "ORD-14")),
        (evidence(None), evidence(6, "ORD-02"), [], False),
    ],
)  # fmt: skip
def test_what_came_of_one_order_is_one_thing_and_the_case_knows_more_of_it(
    own: Evidence, judged: Evidence, messages: list[Any], first: bool
) -> None:
    assert run_over(*messages)._stands_first(own, judged, walked=False) is first
    assert run_over(*messages)._stands_first(own, judged, walked=True)


@pytest.mark.parametrize(
    ("verdict", "own", "found", "told"),
    [
        (Verdict.PASS, None, (), Verdict.PASS),
        (Verdict.PASS, None, (evidence(3),), Verdict.FAIL),
        (Verdict.ERROR, None, (evidence(3),), Verdict.ERROR),
        (Verdict.FAIL, evidence(10), (evidence(12),), Verdict.FAIL),
        (Verdict.INCONCLUSIVE, None, (evidence(3), evidence(4)), Verdict.FAIL),
    ],
)
def test_a_breach_that_the_judge_of_all_found_fails_the_case(
    verdict: Verdict, own: Evidence | None, found: tuple[Evidence, ...], told: Verdict
) -> None:
    run, should = run_over(ordered(5)), evidence(2, "LNK-16")
    run._judging = cast(
        "Any", SimpleNamespace(look=lambda: SimpleNamespace(musts=found, shoulds=(should,)), judged={"A": 2})
    )
    before = result("link-one", verdict, reason="own words", evidence=own, warnings=(evidence(1),))
    after = run._with_judge(before, 0)
    assert after.verdict is told
    assert [one.requirement for one in after.warnings] == ["ORD-05", "LNK-16"]
    assert run.judged == {"A": 2}
    if found and verdict is not Verdict.ERROR and own is None:
        assert (after.evidence, after.of_body, after.breaches) == (found[0], verdict, found)
        assert after.reason == "ORD-05: another; besides: own words"
        assert after.own is verdict
    else:
        assert (after.evidence, after.of_body, after.breaches) == (own, None, found)
        assert after.reason == "own words"


def test_what_stands_behind_is_kept_besides() -> None:
    first, own = evidence(3, "ORD-05"), evidence(9, "ORD-09")
    behind = runner._behind(
        (first, evidence(4)), result("link-one", Verdict.FAIL, reason="words", evidence=own)
    )
    assert behind.breaches == (first, evidence(4), own)
    silent = runner._behind((first,), result("link-one", Verdict.PASS))
    assert (silent.reason, silent.breaches) == ("ORD-05: another", (first,))


@pytest.mark.parametrize(
    ("verdict", "passive", "looked"),
    [
        (Verdict.FAIL, False, True), (Verdict.INCONCLUSIVE, False, True), (Verdict.PASS, False, False),
        (Verdict.NONE, False, False), (Verdict.ERROR, False, False), (Verdict.FAIL, True, False),
    ],
)  # fmt: skip
@pytest.mark.parametrize("own", [None, evidence(7)])
def test_an_invalid_message_of_a_supervisor_stands_before_what_came_of_it(
    verdict: Verdict, passive: bool, looked: bool, own: Evidence | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[int, float]] = []
    flaw = evidence(3, "ENC-10")

    def first_flaw(_fixture: Fixture, since: int, shown_at: float) -> Evidence:
        asked.append((since, shown_at))
        return flaw

    monkeypatch.setattr(runner, "first_flaw", first_flaw)
    before = Result(case("link-one", judges, passive=passive), verdict, evidence=own)
    after = run_over(roles=("supervisor",))._with_judge(before, 4)
    assert asked == ([(4, inf if own is None else 7)] if looked else [])
    assert after.evidence is (flaw if looked else own)
    monkeypatch.setattr(runner, "first_flaw", lambda *_: None)
    assert run_over(roles=("supervisor",))._with_judge(before, 4) is before


# ---------------------------------------------------------------- what rests on what
def test_the_first_prerequisite_that_did_not_pass_is_named_and_the_chain_s_begin() -> None:
    run = run_over()
    run.results = by_results(
        result("a", Verdict.PASS), result("b", Verdict.NONE), result("c", Verdict.FAIL),
        result("d", Verdict.INCONCLUSIVE, cause="c"), result("e", Verdict.FAIL, of_body=Verdict.PASS),
    )  # fmt: skip
    for after, missing, cause in (
        ((), "", ""), (("a", "b", "x", "e"), "", ""),
        (("a", "c", "d"), "c did not pass (fail), and this case rests on it", "c"),
        (("d", "c"), "d did not pass (inconclusive), and this case rests on it", "c"),
    ):  # fmt: skip
        one = case("one", passes, *after)
        assert (run._missing(one), run._cause(one)) == (missing, cause)
        assert run._due(one) is (not missing)


def by_results(*results: Result) -> dict[str, Result]:
    return {one.case.id: one for one in results}


@pytest.mark.parametrize(
    ("results", "cause"),
    [
        ([], ""), ([result("a", Verdict.PASS)], ""), ([result("a", Verdict.FAIL)], "a"),
        ([result("a", Verdict.FAIL), result("b", Verdict.PASS)], ""),
        ([result("a", Verdict.FAIL), result("b", Verdict.NONE)], "a"),
        ([result("a", Verdict.FAIL), result("b", Verdict.FAIL, taken_over=True)], "a"),
        ([result("a", Verdict.FAIL), result(OPENING[0], Verdict.FAIL)], "a"),
        ([result("a", Verdict.FAIL), result(OPENING[1], Verdict.PASS)], "a"),
        ([result("a", Verdict.FAIL), result("b", Verdict.INCONCLUSIVE, "a")], "a"),
        ([result("a", Verdict.FAIL, cause="z")], "z"),
        ([result("a", Verdict.FAIL, of_body=Verdict.PASS)], ""),
        ([result("a", Verdict.INCONCLUSIVE), result("b", Verdict.FAIL)], "b"),
    ],
)  # fmt: skip
def test_a_node_that_cannot_be_brought_to_rest_was_upset_by_the_case_before(
    results: list[Result], cause: str
) -> None:
    run = run_over()
    run.results = by_results(*results)
    assert run._unrest() == cause


@pytest.mark.parametrize(
    ("raised", "verdict", "reason"),
    [
        (
            Broken("ORD-03", "one", "another"),
            Verdict.INCONCLUSIVE,
            "the node could not be brought to rest: ORD-03: expected one; seen another",
        ),
        (Unclear("why"), Verdict.INCONCLUSIVE, "the node could not be brought to rest: why"),
        (ZeroDivisionError(), Verdict.ERROR, "ZeroDivisionError"),
    ],
)
def test_where_it_cannot_be_brought_to_rest_the_case_is_not_run(
    raised: Exception, verdict: Verdict, reason: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def settle(_fixture: Fixture) -> None:
        raise raised

    monkeypatch.setattr(runner, "settle", settle)
    run = run_over()
    run.results = by_results(result("before", Verdict.FAIL))
    one = case("link-one", passes)
    found = run._active(one)
    assert found.verdict is verdict
    assert reason in found.reason
    assert found.cause == ("before" if verdict is Verdict.INCONCLUSIVE else "")
    run.fixture.bench.absence = lambda: "the board has gone"  # type: ignore[method-assign]
    if verdict is Verdict.INCONCLUSIVE:
        assert run._active(one).reason == "the node could not be brought to rest: the board has gone"
    monkeypatch.setattr(Run, "_judge", lambda _self, case: result(case.id, Verdict.PASS))
    for id_, roles in ((OPENING[0], ("shuttle",)), (OPENING[1], ("shuttle",)), ("x", ("supervisor",))):
        assert run._active(case(id_, passes, roles=roles)).verdict is Verdict.PASS, "it settles nothing"


def test_what_cannot_be_judged_at_all_ends_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    def settle(_fixture: Fixture) -> None:
        raise CannotJudge("gone")

    monkeypatch.setattr(runner, "settle", settle)
    with pytest.raises(CannotJudge):
        run_over()._active(case("link-one", passes))

    def body(_fixture: Fixture) -> None:
        raise CannotJudge("gone")

    with pytest.raises(CannotJudge):
        run_over()._judge(case("link-one", body))


# ---------------------------------------------------------------- how a body ends
@pytest.mark.parametrize(
    ("raised", "verdict", "reason", "spoilt"),
    [
        (None, Verdict.PASS, "", False), (NoOccasion("nothing came"), Verdict.NONE, "nothing came", False),
        (Unclear("why"), Verdict.INCONCLUSIVE, "why", False),
        (ZeroDivisionError("own"), Verdict.ERROR, "ZeroDivisionError: own", False),
    ],
)  # fmt: skip
def test_how_a_body_ends_is_the_verdict(
    raised: Exception | None, verdict: Verdict, reason: str, spoilt: bool
) -> None:
    def body(fixture: Fixture) -> None:
        assert (fixture.warnings, fixture.judged, fixture.broken, fixture.gave_up_ms) == ([], {}, None, None)
        fixture.judged["ORD-03"] += 2
        if raised is not None:
            raise raised

    run = run_over()
    for passive in (False, True):
        found = run._judge(case("link-one", body, passive=passive))
        assert (found.verdict, found.spoilt, found.judged) == (verdict, spoilt, {"ORD-03": 2})
        assert found.reason.strip().endswith(reason)
        assert run.fixture.can_repeat is not passive
    idle = run._judge(case("link-one", lambda _fixture: None))
    assert (idle.verdict, idle.reason) == (Verdict.INCONCLUSIVE, NOTHING_TO_JUDGE)
    assert run._judge(case("link-one", passes), body).verdict is verdict, "what stands for the body"


def test_a_limit_that_a_test_machine_spoilt_is_told_so() -> None:
    def body(_fixture: Fixture) -> None:
        raise StoodStill.__new__(StoodStill)

    assert run_over()._judge(case("link-one", body)).spoilt


def test_what_was_broken_before_it_was_stopped_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(runner, "gather", lambda broken, _log: evidence(3, broken.requirement))
    for broken in (None, Broken("ORD-03", "one", "another")):

        def body(fixture: Fixture, broken: Broken | None = broken) -> None:
            fixture.broken = broken
            fixture.judged["ORD-03"] += 1
            raise KeyboardInterrupt

        run = run_over()
        with pytest.raises(KeyboardInterrupt):
            run._judge(case("link-one", body))
        if broken is None:
            assert run.results == {}
            continue
        kept = run.results["link-one"]
        assert (kept.verdict, kept.reason, kept.judged) == (Verdict.FAIL, str(broken), {"ORD-03": 1})
        assert kept.evidence == evidence(3, "ORD-03")


# ---------------------------------------------------------------- what a run has come to
def test_what_was_left_out_or_judged_again_is_told() -> None:
    run = run_over()
    run.selection = Selection(only=("b", "a", "b", "x", "c"))
    run.results = by_results(
        result("a", Verdict.NONE), result("b", Verdict.NONE, tries=2), result("c", Verdict.PASS, tries=3),
        result("d", Verdict.NONE),
    )  # fmt: skip
    assert (run.unjudged, run.judged_again) == (["b", "a"], ["b", "c"])
    assert run_over().unjudged == []
    assert (Selection().only, Selection().motion) == (None, True)
    assert (result("a", Verdict.PASS).took_ms, result("a", Verdict.PASS).tries) == (0.0, 1)


def test_what_it_will_run_is_told_ahead() -> None:
    run = run_over()
    one, moving, other = case("a", passes), case("b", passes, moves=True), case("c", passes, roles=("crane",))
    assert run.ahead([one, moving, other]) == [one, moving]
    assert list(run.planned) == ["a", "b", "c"]
    assert run.not_reached == ["a", "b"]
    run.selection = Selection(motion=False)
    assert run.ahead([one, moving, other]) == [one]
    assert run.not_reached == ["a"]
    run.results = by_results(result("a", Verdict.PASS))
    assert (run.complete, run.verdict) == (True, Verdict.PASS)
    run.results = by_results(result("a", Verdict.FAIL))
    assert run.verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("more", "of", "reason"),
    [
        ({"since": 1}, {"minor": 1}, ""), ({"serial": True}, {}, "the node is on no serial line (--serial)"),
        ({"since": 2}, {"minor": 1},
         "not of its version: it asks for what protocol 1.2 brought, and the node says 1.1"),
    ],
)  # fmt: skip
def test_why_a_case_is_not_run_on_a_node_of_another_version_or_on_no_line(
    more: dict[str, Any], of: dict[str, Any], reason: str
) -> None:
    run = run_over(**{"spec": SimpleNamespace(dotted=lambda minor: f"1.{minor}")} | of)
    assert not_selected(case("a", passes, **more), run.fixture, run.selection) == reason
    run.fixture.bench.line = cast("Any", object())
    if "serial" in more:
        assert not_selected(case("a", passes, **more), run.fixture, run.selection) == ""


def test_occasions_come_along_where_the_node_has_them() -> None:
    cases = by_id([
        case("a", passes, occasions=("b", "c", "gone")), case("b", passes, roles=("shuttle",)),
        case("c", passes, "d", roles=("crane",)), case("d", passes), case("e", passes),
    ])  # fmt: skip

    def chosen(*roles: str) -> list[str]:
        return [one.id for one in with_prerequisites(cases, ("a",), roles)]

    assert chosen("shuttle") == ["a", "b"]
    assert chosen("crane") == ["a", "c", "d"]
    assert chosen("berth") == ["a"]
    with pytest.raises(KeyError):
        with_prerequisites(cases, ("gone",), ())


def test_prerequisites_of_the_node_s_own_roles_come_first() -> None:
    late, early = case("late", passes, "early"), case("early", passes)
    assert [one.id for one in order([late, early], ("crane", "shuttle"))] == ["early", "late"]
    other = case("early", passes, roles=("berth",))
    assert [one.id for one in order([late, other], ("crane",))] == ["late", "early"]
