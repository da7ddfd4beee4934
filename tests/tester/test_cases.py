"""The linter of the cases, and the table of which requirement is checked by which."""

from __future__ import annotations

import re
from inspect import unwrap

import pytest

from conformance.suite.case import CHAPTERS, ROLES, Case, all_cases
from conformance.suite.traceability import OF_A_NODE, table, uncovered
from conformance.tester.hints.hints import ANY, SITUATIONS, hints
from conformance.tester.runner import order
from protocol.specification import specification

CASES = list(all_cases().values())
OPENINGS = {"link-says-on", "supervisor-asks"}


@pytest.fixture(params=CASES, ids=lambda case: case.id)
def case(request: pytest.FixtureRequest) -> Case:
    found: Case = request.param
    return found


def test_id_starts_with_its_chapter(case: Case) -> None:
    singular = {"orders": "orders", "faults": "faults", "messages": "messages"}
    assert case.chapter in CHAPTERS
    assert case.id.startswith(singular.get(case.chapter, case.chapter) + "-")
    assert re.fullmatch("[a-z]+(-[a-z]+)+", case.id)
    assert len(case.id) <= 32


def test_page_has_a_sentence_and_what_is_done(case: Case) -> None:
    summary, _, rest = case.page.partition("\n\n")
    assert summary.endswith(".")
    assert re.match("[A-Z]|set-uptime|reset-fault", summary)
    assert rest, "the page says what is sent or judged, behind a blank line"
    assert rest.rstrip().endswith(".")
    assert not re.search(r"TODO|FIXME|etc\.|e\.g\.", case.page)


def test_passive_page_says_what_is_judged(case: Case) -> None:
    assert ("Judged from" in case.page) == case.passive


def test_requirements_exist_and_bind_a_node(case: Case) -> None:
    known = specification().requirements
    assert case.requirements
    assert len(set(case.requirements)) == len(case.requirements)
    for id_ in case.requirements:
        assert known[id_].role in OF_A_NODE, id_
        assert known[id_].seen != "declared", id_


def test_roles_have_what_is_required(case: Case) -> None:
    assert set(case.roles) <= set(ROLES)
    for id_ in case.requirements:
        role = specification().requirements[id_].role
        assert role not in ROLES or role in case.roles, id_


def test_prerequisites_exist_and_come_first(case: Case) -> None:
    ordered = [one.id for one in order(CASES, case.roles)]
    for id_ in case.after:
        before = all_cases()[id_]
        assert ordered.index(id_) < ordered.index(case.id)
        assert case.passive or not before.passive, "an active case cannot rest on what is judged at the end"
        assert case.passive or case.quiet or not before.quiet, "it would have to come after the quiet time"
        assert set(before.roles) & set(case.roles)


def test_every_case_rests_on_the_opening(case: Case) -> None:
    todo, seen = [case.id], set()
    while todo:
        id_ = todo.pop()
        seen.add(id_)
        todo += all_cases()[id_].after
    assert OPENINGS & seen


def test_passive_cases_move_and_reset_nothing(case: Case) -> None:
    assert not (case.passive and (case.moves or case.restarts))


def test_what_is_checked_in_the_code_is_named_on_the_case() -> None:
    """Each requirement that a case file demands is named by some case of any chapter."""
    named = {id_ for case in CASES for id_ in case.requirements}
    for case in CASES:
        constants = [one for one in unwrap(case.body).__code__.co_consts if isinstance(one, str)]
        demanded = {one for one in constants if one in specification().requirements}
        assert demanded <= named, case.id


def test_every_requirement_that_a_tester_sees_has_a_case() -> None:
    assert [requirement.id for requirement in uncovered("MUST")] == []
    assert [requirement.id for requirement in uncovered("SHOULD")] == []


@pytest.mark.parametrize("role", ROLES)
def test_what_binds_every_sender_and_receiver_has_a_case_for_each_role(role: str) -> None:
    """What a supervisor writes and reads is bound as what a node does."""
    named = {id_ for case in CASES if role in case.roles for id_ in case.requirements}
    due = [row.requirement for row in table() if row.due and row.requirement.role in ("sender", "receiver")]
    assert [one.id for one in due if one.id not in named] == []


def test_what_is_declared_is_never_counted_as_tested() -> None:
    for row in table():
        if row.requirement.seen == "declared":
            assert not row.covered, row.requirement.id


def test_likely_causes_name_requirements_that_have_a_case() -> None:
    covered = {row.requirement.id for row in table() if row.covered}
    assert set(hints()) - {ANY} <= covered


def test_every_situation_of_a_hint_can_be_told_and_is_used() -> None:
    assert {hint.when for told in hints().values() for hint in told} == set(SITUATIONS)
