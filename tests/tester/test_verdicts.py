"""Verdicts: which outweighs which, what a case comes to, and what is counted and told of it."""

from __future__ import annotations

import itertools

import pytest

from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken, Unclear, Verdict, overall
from tests.faulty_nodes.faulty import run_of
from tests.tester.small_cases import (
    OPEN,
    OPENING,
    case,
    crashes,
    fails,
    fails_twice,
    judges,
    passes,
    unclear,
    verdicts,
    warns,
    watches,
    watches_and_warns,
)


def test_verdicts_overwrite_as_in_ttcn_3() -> None:
    """ETSI ES 201 873-1 (TTCN-3 core language), clause 24.1, table of overwriting rules (from memory):
    none < pass < inconc < fail < error, and a verdict is never improved.
    """
    ordered = [Verdict.NONE, Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR]
    for lower, higher in itertools.combinations(ordered, 2):
        assert overall([lower, higher]) is overall([higher, lower]) is higher
    assert overall([]) is Verdict.NONE


@pytest.mark.parametrize(
    ("body", "verdict"),
    [
        (passes, Verdict.PASS),
        (fails, Verdict.FAIL),
        (warns, Verdict.PASS),
        (unclear, Verdict.INCONCLUSIVE),
        (crashes, Verdict.ERROR),
    ],
)
def test_how_a_case_ends(body: object, verdict: Verdict) -> None:
    assert verdicts(case("link-one", body, OPENING))["link-one"] is verdict


def test_the_first_reason_is_kept() -> None:
    run = run_of("ferry")
    result = run.perform([OPEN, case("link-one", fails_twice, OPENING)])["link-one"]
    assert result.evidence is not None
    assert (result.evidence.requirement, result.evidence.expected) == ("ORD-01", "the first reason")


def test_evidence_shows_the_sentence_and_the_messages_around_it() -> None:
    run = run_of("ferry")
    result = run.perform([OPEN, case("link-one", fails, OPENING)])["link-one"]
    evidence = result.evidence
    assert evidence is not None
    assert evidence.sentence.startswith("A node answers ask")
    assert any(line.name == "job-report" and line.from_node for line in evidence.lines)
    assert evidence.causes == (), "what was seen allows none of its hints"


def test_a_broken_should_is_a_warning() -> None:
    run = run_of("ferry")
    result = run.perform([OPEN, case("link-one", warns, OPENING)])["link-one"]
    assert [warning.requirement for warning in result.warnings] == ["LNK-16"]


def test_broken_and_unclear_say_what_they_are_about() -> None:
    assert str(Broken("ORD-01", "a", "b")) == "ORD-01: expected a; seen b"
    assert str(Unclear("why")) == "why"


@pytest.mark.parametrize(
    ("warned", "next_one"),
    [(warns, passes), (watches_and_warns, watches), (warns, watches), (watches_and_warns, judges)],
)
def test_a_warning_is_told_of_its_own_case_alone(warned: object, next_one: object) -> None:
    run = run_of("ferry")
    results = run.perform(
        [
            OPEN,
            case("link-warns", warned, OPENING),
            case("link-next", next_one, OPENING, passive=next_one is judges),
        ]
    )
    told = {id_: [one.requirement for one in result.warnings] for id_, result in results.items()}
    assert told == {OPENING: [], "link-warns": ["LNK-16"], "link-next": []}


def test_what_a_case_has_judged_is_counted_for_it_alone() -> None:
    run = run_of("ferry")

    def thrice(fixture: Fixture) -> None:
        for _ in range(3):
            judges(fixture)

    results = run.perform(
        [OPEN, case("link-thrice", thrice, OPENING), case("link-once", judges, OPENING, passive=True)]
    )
    assert results["link-thrice"].judged == {"ORD-03": 3}
    assert results["link-once"].judged == {"ORD-03": 1}


def test_a_run_is_complete_when_it_came_to_every_case_it_planned() -> None:
    run = run_of("ferry")
    assert not run.complete
    steps = run.steps(
        [OPEN, case("link-one", passes, OPENING), case("link-moves", passes, OPENING, moves=True)]
    )
    next(steps)
    assert (run.complete, run.not_reached) == (False, ["link-one", "link-moves"])
    assert run.verdict is Verdict.INCONCLUSIVE
    list(steps)
    assert (run.complete, run.not_reached, run.verdict) == (True, [], Verdict.PASS)


def test_a_case_that_was_asked_for_and_not_judged_is_no_pass() -> None:
    run = run_of("ferry", only=("link-moves",))
    run.selection = type(run.selection)(only=("link-moves",), motion=False)
    run.perform([OPEN, case("link-moves", passes, OPENING, moves=True)])
    assert run.unjudged == ["link-moves"]
    assert run.verdict is Verdict.INCONCLUSIVE
