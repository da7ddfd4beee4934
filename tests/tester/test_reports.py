"""A run as text, as JUnit XML and as a page."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

from junitparser import Error, Failure, JUnitXml, Skipped

from conformance.reports import as_html, as_junit, as_text
from conformance.reports.document import document
from conformance.suite.case import all_cases
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run
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
