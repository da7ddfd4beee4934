"""Verdicts and the runner: which verdict outweighs which, what a broken prerequisite does, what is selected."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from junitparser import Error, Failure, JUnitXml, Skipped

from conformance.reports import as_html, as_junit, as_text
from conformance.reports.document import document
from conformance.suite.case import NODES, Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observing
from conformance.suite.verdict import Broken, Unclear, Verdict, overall
from conformance.tester.runner import Run, not_selected, order, with_prerequisites
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of


def test_verdicts_overwrite_as_in_ttcn_3() -> None:
    """ETSI ES 201 873-1 (TTCN-3 core language), clause 24.1, table of overwriting rules (from memory):
    none < pass < inconc < fail < error, and a verdict is never improved.
    """
    ordered = [Verdict.NONE, Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL, Verdict.ERROR]
    for lower, higher in itertools.combinations(ordered, 2):
        assert overall([lower, higher]) is overall([higher, lower]) is higher
    assert overall([]) is Verdict.NONE


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


@pytest.mark.parametrize("body", [fails, unclear, crashes])
def test_a_broken_prerequisite_makes_all_that_rests_on_it_inconclusive(body: object) -> None:
    seen = verdicts(
        case("link-one", body, OPENING),
        case("link-two", passes, "link-one"),
        case("link-three", passes, "link-two"),
    )
    assert seen["link-two"] is seen["link-three"] is Verdict.INCONCLUSIVE


def test_a_prerequisite_that_is_not_selected_holds_nobody_up() -> None:
    seen = verdicts(
        case("link-one", fails, OPENING, moves=True), case("link-two", passes, "link-one"), motion=False
    )
    assert seen["link-one"] is Verdict.NONE
    assert seen["link-two"] is Verdict.PASS


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
    assert evidence.causes


def test_a_broken_should_is_a_warning() -> None:
    run = run_of("ferry")
    result = run.perform([OPEN, case("link-one", warns, OPENING)])["link-one"]
    assert [warning.requirement for warning in result.warnings] == ["LNK-16"]


def test_prerequisites_come_along_with_what_is_asked_for() -> None:
    chosen = [one.id for one in with_prerequisites(all_cases(), ("orders-stale",))]
    assert set(chosen) == {"link-says-on", "orders-ask", "claim-raises", "orders-stale"}


def test_order_puts_prerequisites_first_and_keeps_the_rest() -> None:
    ordered = [one.id for one in order(all_cases().values(), NODES)]
    for one in all_cases().values():
        assert all(ordered.index(id_) < ordered.index(one.id) for id_ in one.after)


def test_order_does_not_wait_for_prerequisites_that_the_node_does_not_have() -> None:
    """A job comes right after the crane has homed, where homing again is a short way."""
    ordered = [one.id for one in order(all_cases().values(), ("crane",))]
    assert ordered.index("orders-job") == ordered.index("crane-homes") + 1


def quiet(ms: float) -> Callable[[Fixture], Observing]:
    def body(fixture: Fixture) -> Observing:
        heard = (yield ms).heard
        fixture.check(all(m.from_node for m in heard), "ORD-03", "to be left alone", "an order")
        fixture.check(len(heard) > ms / 2500, "MSG-02", "to hear the node", f"{len(heard)} messages")
        fixture.ask()

    return body


def breaks_before_waiting(fixture: Fixture) -> Observing:
    fixture.check(False, "ORD-03", "one thing", "another")
    yield 1000


def test_cases_that_need_the_node_left_alone_share_that_time() -> None:
    run = run_of("ferry")
    cases = [OPEN, *(case(f"link-{ms}", quiet(ms), OPENING) for ms in (4000, 6000, 5000)),
             case("link-broken", breaks_before_waiting, OPENING), case("link-last", passes, OPENING)]  # fmt: skip
    results = run.perform(cases)
    passed = {id_ for id_, result in results.items() if result.verdict is Verdict.PASS}
    assert passed == set(results) - {"link-broken"}
    assert results["link-broken"].verdict is Verdict.FAIL
    assert list(results)[:2] == [OPENING, "link-last"], "what sends comes before the quiet time"
    assert 6000 <= sum(result.took_ms for result in results.values()) < 7000


def test_a_case_that_will_not_run_costs_no_quiet_time() -> None:
    run = run_of("ferry")
    results = run.perform(
        [OPEN, case("link-fails", fails, OPENING), case("link-long", quiet(9000), "link-fails")]
    )
    assert results["link-long"].verdict is Verdict.INCONCLUSIVE
    assert sum(result.took_ms for result in results.values()) < 1000


@pytest.mark.slow
def test_without_motion_no_motor_is_switched_on() -> None:
    for node in ("north", "siding", "ferry"):
        run = run_of(node)
        run.selection = type(run.selection)(motion=False)
        run.perform()
        status = run.fixture.log.latest("node-status")
        assert status is not None
        assert status.body["starts"] == 0
        assert run.verdict is Verdict.PASS


def test_the_same_seed_sends_the_same_bytes_and_another_others() -> None:
    def sent(seed: int) -> list[bytes]:
        run = run_of("ferry", seed=seed, only=("orders-late",))
        run.perform()
        return [message.payload for message in run.fixture.log.messages if not message.from_node]

    assert sent(3) == sent(3)
    assert not set(sent(3)) & set(sent(4))


class Deaf(Controller):
    """Connects and says what it is, and answers nothing."""

    def receive(self, delivery: object, now_ms: int) -> list[object]:  # type: ignore[override]
        return []


def reported(controller: type[Controller] = Controller) -> tuple[Run, dict[str, object]]:
    run = run_of("ferry", controller=controller)
    run.perform()
    return run, document(run, seed=1)


def test_a_deaf_node_fails_once_and_is_not_failed_for_all_that_follows_from_it() -> None:
    run, _ = reported(Deaf)
    failed = [id_ for id_, result in run.results.items() if result.verdict is Verdict.FAIL]
    assert failed == ["orders-ask"]


def test_text_report_is_three_lines_when_all_is_well_and_never_wider_than_the_terminal() -> None:
    _, good = reported()
    assert len(as_text.render(good).splitlines()) == 3
    _, bad = reported(Deaf)
    lines = as_text.render(bad).splitlines()
    assert any(line.startswith("FAIL") and "orders-ask" in line for line in lines)
    assert max(map(len, lines)) <= as_text.WIDTH


def test_junit_report_counts_what_it_lists() -> None:
    suite = ET.fromstring(as_junit.render(reported(Deaf)[1])).find("testsuite")
    assert suite is not None
    for attribute, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        assert int(suite.attrib[attribute]) == len(suite.findall(f"testcase/{tag}"))
    assert int(suite.attrib["tests"]) == len(suite.findall("testcase")) == len(all_cases())


def test_junit_report_is_read_by_a_junit_parser(tmp_path: Path) -> None:
    """junitparser 5, from the package index: it finds every case, with the verdict it had."""
    path = tmp_path / "report.xml"
    run, report = reported(Deaf)
    path.write_text(as_junit.render(report))
    suites = list(JUnitXml.fromfile(str(path)))
    read = {case.name: [type(one) for one in case.result] for suite in suites for case in suite}
    kinds = {Verdict.PASS: [], Verdict.NONE: [Skipped], Verdict.ERROR: [Error]}
    assert read == {id_: kinds.get(one.verdict, [Failure]) for id_, one in run.results.items()}
    assert [suite.tests for suite in suites] == [len(run.results)]
    assert {one.name: one.value for one in suites[0].properties()}["site"] == "harlow-basin"  # type: ignore[no-untyped-call]


def test_html_report_stands_alone_and_escapes_what_a_node_said() -> None:
    _, report = reported(Deaf)
    report["firmware"] = "<script>alert(1)</script>"
    page = as_html.render(report)
    assert "<script" not in page
    assert "http" not in page
    assert all(id_ in page for id_ in all_cases())


def test_broken_and_unclear_say_what_they_are_about() -> None:
    assert str(Broken("ORD-01", "a", "b")) == "ORD-01: expected a; seen b"
    assert str(Unclear("why")) == "why"


def test_no_case_is_not_every_case() -> None:
    """A list of cases that has become empty on its way starts nothing that moves."""
    cases = all_cases()
    assert with_prerequisites(cases, ()) == []
    assert with_prerequisites(cases, None) == list(cases.values())


def watches_and_warns(fixture: Fixture) -> Observing:
    yield 100
    fixture.check(False, "LNK-16", "an 'off'", "none")
    fixture.check(True, "ORD-03", "an answer", "an answer")


def watches(fixture: Fixture) -> Observing:
    yield 100
    fixture.check(True, "ORD-03", "an answer", "an answer")


def judges(fixture: Fixture) -> None:
    fixture.check(True, "ORD-03", "an answer", "an answer")


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


def test_what_sends_comes_first_what_waits_next_and_what_judges_all_that_was_seen_last() -> None:
    cases = [
        case("link-passive", judges, passive=True),
        case("link-waits", watches),
        case("link-sends", passes),
    ]
    assert [one.id for one in order(cases, NODES)] == ["link-sends", "link-waits", "link-passive"]


def test_a_passive_case_sees_what_the_waiting_ones_saw() -> None:
    """It is judged from all that passed, the time of the others included, and brings nobody to rest for it."""
    run = run_of("ferry")
    seen: dict[str, int] = {}

    def last(fixture: Fixture) -> None:
        seen["end"] = fixture.log.end
        judges(fixture)

    results = run.perform(
        [OPEN, case("link-last", last, OPENING, passive=True), case("link-waits", quiet(4000), OPENING)]
    )
    assert list(results) == [OPENING, "link-waits", "link-last"]
    assert seen["end"] == run.fixture.log.end
    assert results["link-last"].took_ms == 0


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


@pytest.mark.parametrize(
    ("more", "bench", "motion", "reason"),
    [
        ({}, True, True, ""),
        ({"roles": ("crane",)}, True, True, "for crane only"),
        ({"roles": ("crane", "shuttle")}, True, True, ""),
        ({"moves": True}, True, True, ""),
        ({"moves": True}, True, False, "it moves the machine"),
        ({"mode": "bench"}, True, True, ""),
        ({"mode": "bench"}, False, True, "the node is in service, and this needs one on the bench"),
        ({"mode": "service"}, False, True, ""),
        ({"mode": "service"}, True, True, "the node is on the bench, and this needs one in service"),
        ({"mode": "any"}, False, True, ""),
        ({"restarts": True}, True, True, ""),
        ({"applies": lambda _site, node: f"not for {node.name}"}, True, True, "not for ferry"),
    ],
)
def test_why_a_case_is_not_run(more: dict[str, object], bench: bool, motion: bool, reason: str) -> None:
    run = run_of("ferry", bench=bench)
    run.perform([OPEN])
    selection = type(run.selection)(motion=motion)
    assert not_selected(case("link-one", passes, **more), run.fixture, selection) == reason


def test_a_node_that_cannot_be_reset_is_spared_what_needs_it() -> None:
    run = run_of("ferry")
    run.perform([OPEN])
    run.fixture.bench.can_restart = False
    why = "there is no way to reset the node"
    assert not_selected(case("link-one", passes, restarts=True), run.fixture, run.selection) == why
    assert not_selected(case("link-one", passes), run.fixture, run.selection) == ""


def test_a_case_that_cannot_bring_the_node_to_rest_is_inconclusive() -> None:
    run = run_of("ferry", controller=Deaf)
    results = run.perform([OPEN, case("link-one", passes, OPENING)])
    assert results["link-one"].own is Verdict.INCONCLUSIVE
    assert "; besides: the node could not be brought to rest: " in results["link-one"].reason
    assert [one.requirement for one in results["link-one"].breaches] == ["ORD-01"]


def waits_twice(_fixture: Fixture) -> Observing:
    yield 100
    yield 100


def test_a_case_that_waits_twice_is_an_error_of_the_kit() -> None:
    run = run_of("ferry")
    result = run.perform([OPEN, case("link-twice", waits_twice, OPENING)])["link-twice"]
    assert result.verdict is Verdict.ERROR
    assert "link-twice wants to wait twice" in result.reason


def test_progress_tells_each_case_as_it_starts_and_with_its_result() -> None:
    run = run_of("ferry")
    told: list[tuple[str, Verdict | None]] = []
    run.progress = lambda one, result: told.append((one.id, result.verdict if result else None))
    moving = case("link-moves", passes, OPENING, moves=True)
    run.selection = type(run.selection)(motion=False)
    run.perform([OPEN, case("link-fails", fails, OPENING), case("link-next", passes, "link-fails"), moving])
    assert told == [
        (OPENING, None),
        (OPENING, Verdict.PASS),
        ("link-fails", None),
        ("link-fails", Verdict.FAIL),
        ("link-next", None),
        ("link-next", Verdict.INCONCLUSIVE),
        ("link-moves", Verdict.NONE),
    ]


def test_a_case_takes_the_time_of_its_own_body() -> None:
    run = run_of("ferry")

    def waits(fixture: Fixture) -> None:
        fixture.watch(700)
        judges(fixture)

    results = run.perform([OPEN, case("link-waits", waits, OPENING), case("link-next", passes, "link-waits")])
    assert 700 <= results["link-waits"].took_ms < 800
    assert 0 <= results["link-next"].took_ms < 100
