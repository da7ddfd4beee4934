"""A run as text, as JUnit XML and as a page."""

from __future__ import annotations

import json
import re
from pathlib import Path
from xml.etree import ElementTree as ET

from junitparser import Error, Failure, JUnitXml, Skipped

from conformance.reports import as_html, as_junit, as_text, completeness, left_out
from conformance.reports.document import document
from conformance.suite.case import all_cases
from conformance.suite.verdict import Verdict
from conformance.tester.no_verdict import NO_OCCASION, NOT_SELECTED, OTHER_ROLES
from conformance.tester.runner import Run, Selection
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of


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


def test_text_report_is_short_when_all_is_well_and_never_wider_than_the_terminal() -> None:
    _, good = reported()
    lines = as_text.render(good).splitlines()
    assert len(lines) < 15
    assert lines[-1] == "  verdict: pass"
    assert max(map(len, lines)) <= as_text.WIDTH
    _, bad = reported(Deaf)
    lines = as_text.render(bad).splitlines()
    assert any(line.startswith("FAIL") and "orders-ask" in line for line in lines)
    assert max(map(len, lines)) <= as_text.WIDTH


def test_a_report_says_its_verdict_at_the_end_and_a_pass_is_none_where_a_person_saw_a_must_broken() -> None:
    _, good = reported()
    asked = {"kind": "asked of a person", "requirement": "SAF-01", "sentence": "A sentence.", "answer": "no"}
    for level, last in (
        ("SHOULD", "verdict: pass"),
        ("MUST", "not conformant by what a person said of SAF-01"),
    ):
        good["people"] = [asked | {"level": level}]
        assert " ".join(as_text.render(good).split()).endswith(last)
    lines = as_text.render(reported(Deaf)[1]).splitlines()
    assert lines.index("  verdict: fail") == lines.index("failed: 1") - 1


def test_every_case_is_counted_and_only_what_the_user_left_out_was_not_selected() -> None:
    counted: dict[bool, dict[str, int]] = {}
    for motion in (True, False):
        run = run_of("ferry")
        run.selection = Selection(motion=motion)
        run.perform()
        ahead = sum(bool(one.judged) for one in run.results.values())
        report = json.loads(json.dumps(document(run, seed=1)))
        told = dict(re.match(r"(.+?): ([0-9]+)", line).groups() for line in left_out.lines(report))  # type: ignore[union-attr, misc]
        counted[motion] = {kind: int(number) for kind, number in told.items()}
        judged = completeness.judged(report)
        assert judged + sum(counted[motion].values()) == len(all_cases())
        assert judged + counted[motion][NO_OCCASION] == ahead, "what the progress counts"
        others = sum(not set(case.roles) & {"shuttle"} for case in all_cases().values())
        assert counted[motion][OTHER_ROLES] == others
    assert NOT_SELECTED not in counted[True]
    moving = sum(case.moves and "shuttle" in case.roles for case in all_cases().values())
    assert counted[False][NOT_SELECTED] == moving


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
