"""No case passes where it judged nothing: over silence, over one message a topic, over a run that was stopped."""

from __future__ import annotations

import itertools
import json
from random import Random
from xml.etree import ElementTree as ET

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.bench.virtual_yard import VirtualYard
from conformance.reports import as_html, as_junit, as_text
from conformance.reports.compare import since
from conformance.reports.document import document
from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.supervisor_fixture import SupervisorFixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site import Site
from protocol.site_file import scenario
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Ack, Kind, Publish
from tests.faulty_nodes.faulty import run_of

ROLES = {"crane": "north", "berth": "siding", "shuttle": "ferry", "supervisor": "yard"}
PASSIVE = [case for case in all_cases().values() if case.passive]
COMPARES = (
    "berth-states", "crane-modes", "shuttle-states", "messages-repeat", "messages-seq",
    "messages-changes", "messages-agree", "orders-job-states",
)  # fmt: skip
"""Passive cases that hold messages against earlier ones: one message of each kind shows them nothing."""


class Absent:
    """A participant that is not there: nothing of it is ever on the bus."""

    client_id = "nobody"
    keep_alive_s = 10

    def will(self) -> None:
        return None

    def subscriptions(self) -> tuple[()]:
        return ()

    def connected(self, now_ms: int) -> tuple[()]:
        return ()

    def disconnected(self, now_ms: int) -> None:
        return None

    def receive(self, delivery: object, now_ms: int) -> tuple[()]:
        return ()

    def tick(self, now_ms: int) -> tuple[()]:
        return ()

    def next_tick(self, now_ms: int) -> None:
        return None


def silent(case: Case, site: Site) -> Fixture:
    """A stand on which nothing has passed and nothing will."""
    if "supervisor" in case.roles:
        yard = VirtualYard(site, lambda _boot, _ms, _brief: Absent(), Random(1), distort=lambda _seen: None)
        return SupervisorFixture(yard, site, "yard", Random(1))
    bench = VirtualBench(lambda _boot, _ms: Absent(), Random(1), distort=lambda _seen: None)
    return Fixture(bench, site, ROLES[case.roles[0]], Random(1))


@pytest.mark.parametrize("case", PASSIVE, ids=lambda case: case.id)
def test_a_passive_case_says_nothing_of_silence(case: Case) -> None:
    result = Run(silent(case, scenario()))._judge(case)
    assert result.verdict in (Verdict.INCONCLUSIVE, Verdict.NONE)
    assert result.reason
    assert not any(result.judged.values())


class OneOfEach:
    """Lets the first message of the node on each topic through, and nothing else of it but its CONNECT."""

    def __init__(self) -> None:
        self._seen: set[str] = set()

    def __call__(self, seen: LinkPacket) -> LinkPacket | None:
        if isinstance(seen.packet, Publish) and seen.from_node:
            known = seen.packet.topic in self._seen
            self._seen.add(seen.packet.topic)
            return None if known else seen
        return seen


@pytest.mark.parametrize("id_", COMPARES)
def test_a_case_that_compares_says_nothing_of_one_message(id_: str) -> None:
    case = all_cases()[id_]
    run = run_of(ROLES[case.roles[0]], distort=OneOfEach())
    run.fixture.watch(3000)
    assert run.fixture.log.latest("node-status")
    result = run._judge(case)
    assert result.verdict in (Verdict.INCONCLUSIVE, Verdict.NONE), (result.verdict, result.judged)


class NeverAcknowledges:
    def __call__(self, seen: LinkPacket) -> LinkPacket | None:
        lost = isinstance(seen.packet, Ack) and seen.packet.kind is Kind.PUBACK and seen.from_node
        return None if lost else seen


def test_a_board_that_never_acknowledges_is_found_with_that_case_alone() -> None:
    run = run_of("ferry", only=("link-acknowledges",), distort=NeverAcknowledges())
    result = run.perform()["link-acknowledges"]
    assert result.verdict is Verdict.FAIL
    assert run.verdict is Verdict.FAIL


def stopped(after: int) -> Run:
    """A run that was stopped when so many cases had been judged."""
    run = run_of("ferry")
    run.plan()
    list(itertools.islice(run.steps(), after))
    return run


@pytest.mark.parametrize("after", [0, 1, 30])
def test_no_report_calls_a_stopped_run_a_pass(after: int) -> None:
    run = stopped(after)
    assert all(one.verdict in (Verdict.PASS, Verdict.NONE) for one in run.results.values())
    assert run.verdict is Verdict.INCONCLUSIVE
    report = json.loads(json.dumps(document(run, seed=1, stopped="stopped by Ctrl-C")))
    assert (report["complete"], report["verdict"]) == (False, "inconclusive")
    came, open_ = report["counts"]["pass"], len(report["not_reached"])
    assert open_ > 50
    far = f"{came} of {came + open_} cases were judged"
    text = as_text.render(report)
    assert far in " ".join(text.split())
    assert "verdict: inconclusive, which is not a pass" in text
    assert max(map(len, text.splitlines())) <= as_text.WIDTH
    page = as_html.render(report)
    assert far in page
    assert "which is not a pass" in page
    suite = ET.fromstring(as_junit.render(report)).find("testsuite")
    assert suite is not None
    assert suite.attrib["errors"] == "1" == str(len(suite.findall("testcase/error")))
    assert int(suite.attrib["tests"]) == len(suite.findall("testcase"))
    assert int(suite.attrib["skipped"]) == len(suite.findall("testcase/skipped")) >= open_


def test_a_whole_run_is_a_pass_and_says_how_often_it_judged() -> None:
    run = run_of("ferry")
    run.perform()
    report = document(run, seed=1)
    assert (report["complete"], report["verdict"], report["not_reached"]) == (True, "pass", [])
    passed = [one for one in report["cases"] if one["verdict"] == "pass"]
    assert [one["id"] for one in passed if not any(one["judged"].values())] == []


@pytest.mark.parametrize(
    ("only", "motion"), [("orders-job", False), ("berth-arrival", True), ("link-parting", True)]
)
def test_what_was_asked_for_and_not_judged_is_no_pass(only: str, motion: bool) -> None:
    run = run_of("ferry", only=(only,))
    run.selection = Selection((only,), motion)
    results = run.perform()
    assert results[only].verdict is Verdict.NONE
    assert run.verdict is Verdict.INCONCLUSIVE
    report = document(run, seed=1)
    assert f"asked for and not judged: {only}" in " ".join(as_text.render(report).split())
    suite = ET.fromstring(as_junit.render(report)).find("testsuite")
    assert suite is not None
    assert suite.attrib["failures"] == "1"


def test_a_stopped_run_held_against_another_says_what_was_compared() -> None:
    whole, part = run_of("ferry"), stopped(10)
    whole.perform()
    before, now = document(whole, seed=1), document(part, seed=1)
    now["since"] = since(before, now)
    text = as_text.render(now)
    assert "this run is incomplete: what it did not come to is not compared" in text
    assert f"nothing broke among the {now['counts']['pass']} cases that both judged" in text
    nothing = document(stopped(0), seed=1)
    nothing["since"] = since(before, nothing)
    assert "nothing to compare: no case was judged in both" in as_text.render(nothing)
    assert "nothing broke" not in as_text.render(nothing)
