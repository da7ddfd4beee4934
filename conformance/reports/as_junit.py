"""The report as JUnit XML, for build servers.

A case that was not selected is 'skipped'; an inconclusive one is a failure of its own type. A run that did not come to
its end, or not to what was asked for, has a test case of its own that says so: a build server that only counts would
call it fine.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree as ET

from conformance.reports import completeness
from conformance.reports.as_text import WIDTH, block


def render(report: Mapping[str, Any]) -> str:
    """One test suite with a test case a conformance case."""
    counts = report["counts"]
    incomplete, unjudged = completeness.incomplete(report), completeness.unjudged(report)
    not_reached = report["not_reached"]
    suite = ET.Element(
        "testsuite",
        name=f"yardwire.{report['node']}",
        tests=str(len(report["cases"]) + len(not_reached) + bool(incomplete) + bool(unjudged)),
        failures=str(counts["fail"] + counts["inconclusive"] + bool(unjudged)),
        errors=str(counts["error"] + bool(incomplete)),
        skipped=str(counts["none"] + len(not_reached)),
        time=f"{report['took_ms'] / 1000:.3f}",
    )
    properties = ET.SubElement(suite, "properties")
    for name in ("kit", "protocol", "site", "firmware", "on", "slow", "seed", "verdict", "complete"):
        ET.SubElement(properties, "property", name=name, value=str(report[name]))
    for one in report["people"]:
        name = f"{one['kind']}: {one['requirement']}"
        ET.SubElement(properties, "property", name=name, value=one["answer"])
    for case in report["cases"]:
        _add(suite, report, case)
    name = f"yardwire.{report['node']}"
    for id_ in not_reached:
        open_ = ET.SubElement(suite, "testcase", classname=name, name=id_, time="0")
        ET.SubElement(open_, "skipped", message="not reached: the run is incomplete")
    for id_, tag, told in (("run-complete", "error", incomplete), ("run-judges", "failure", unjudged)):
        if told:
            whole = ET.SubElement(suite, "testcase", classname=name, name=id_, time="0")
            ET.SubElement(whole, tag, type="inconclusive", message=told)
    for difference in report["identity"]["differences"]:
        ET.SubElement(properties, "property", name=f"first: {difference['rule']}", value=difference["text"])
    for note in report["notes"]:
        ET.SubElement(properties, "property", name="note", value=note)
    root = ET.Element("testsuites")
    root.append(suite)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _add(suite: ET.Element, report: Mapping[str, Any], case: Mapping[str, Any]) -> None:
    name = f"yardwire.{report['node']}.{case['chapter']}"
    element = ET.SubElement(
        suite, "testcase", classname=name, name=case["id"], time=f"{case['took_ms'] / 1000:.3f}"
    )
    if case["verdict"] == "none":
        ET.SubElement(element, "skipped", message=case["reason"])
    elif case["verdict"] != "pass":
        tag = "error" if case["verdict"] == "error" else "failure"
        child = ET.SubElement(element, tag, type=case["verdict"], message=case["reason"][: 2 * WIDTH])
        child.text = "\n".join(block(case))
