"""Small cases for the tests of the runner, each of which ends in its own way."""

from __future__ import annotations

from collections.abc import Callable

from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observing
from conformance.suite.verdict import Verdict
from tests.faulty_nodes.faulty import run_of


def passes(fixture: Fixture) -> None:
    fixture.ask()


def fails(fixture: Fixture) -> None:
    fixture.check(False, "ORD-03", "one thing", "another")


def fails_twice(fixture: Fixture) -> None:
    fixture.check(False, "ORD-01", "the first reason", "seen first")
    fixture.check(False, "ORD-02", "the second reason", "seen second")


def warns(fixture: Fixture) -> None:
    fixture.ask()
    fixture.check(False, "LNK-16", "an 'off'", "none")


def unclear(fixture: Fixture) -> None:
    fixture.need(False, "no box at hand")


def crashes(fixture: Fixture) -> None:
    raise ZeroDivisionError


def case(id_: str, body: object, *after: str, **more: object) -> Case:
    return Case(id_, "link", ("ORD-03",), body, "A page.", after=after, **more)  # type: ignore[arg-type]


OPENING = "link-says-on"
OPEN = all_cases()[OPENING]


def verdicts(*cases: Case, motion: bool = True) -> dict[str, Verdict]:
    run = run_of("ferry")
    run.selection = type(run.selection)(motion=motion)
    return {id_: result.verdict for id_, result in run.perform([OPEN, *cases]).items()}


def quiet(ms: float) -> Callable[[Fixture], Observing]:
    def body(fixture: Fixture) -> Observing:
        heard = (yield ms).heard
        fixture.check(all(m.from_node for m in heard), "ORD-03", "to be left alone", "an order")
        fixture.check(len(heard) > ms / 2500, "MSG-02", "to hear the node", f"{len(heard)} messages")
        fixture.ask()

    return body


def watches_and_warns(fixture: Fixture) -> Observing:
    yield 100
    fixture.check(False, "LNK-16", "an 'off'", "none")
    fixture.check(True, "ORD-03", "an answer", "an answer")


def watches(fixture: Fixture) -> Observing:
    yield 100
    fixture.check(True, "ORD-03", "an answer", "an answer")


def judges(fixture: Fixture) -> None:
    fixture.check(True, "ORD-03", "an answer", "an answer")
