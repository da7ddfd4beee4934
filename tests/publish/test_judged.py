"""Which requirements the judge checks in every case is found in its code, and is what it really names."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from conformance.commands.conform.case_pages import page
from conformance.commands.explain.entries import entries
from conformance.oracle.node_judge import UNDISTURBED
from conformance.publish.site.judged import JUDGE, _given, is_judged, judged_in_every_case
from conformance.suite.case import all_cases
from tests.faulty_nodes.faulty import run_of
from tests.oracle.script import Script
from tests.oracle.wrong_lives import WRONG


def test_what_the_judge_tells_of_wrong_lives_is_in_the_set() -> None:
    told = set()
    for _, _, deed in WRONG:
        script = Script()
        deed(script)
        told |= {requirement for requirement, _ in script.found()}
    assert len(told) > 20
    assert told - set(UNDISTURBED.values()) <= set(judged_in_every_case())


def test_what_it_counts_in_a_run_is_in_the_set() -> None:
    run = run_of("ferry", only=("hold-ends", "orders-repeat", "faults-halt"))
    run.perform()
    assert len(run.judged) > 20
    assert set(run.judged) <= set(judged_in_every_case())


def test_what_is_compared_with_and_what_is_looked_up_is_not_given() -> None:
    code = """
def f(self, one):
    if one == "ORD-01" or "ORD-02" in one:
        self.tell({"ORD-03": "ORD-04"}[one], "as ORD-05 says")
    match one:
        case "ORD-06" if one != "ORD-07":
            return "ORD-08", one
    self.counted["ORD-09"] += 1
    return set(one) - {"ORD-10"}
"""
    assert set(_given(ast.parse(code))) == {"ORD-04", "ORD-08", "ORD-09"}


def test_explain_says_so_of_requirement_and_case() -> None:
    """Of three that a report named, where neither text had said that it could."""
    for rule, case in (
        ("HLD-01", "hold-keeps-job"),
        ("ENC-10", "hold-ends"),
        ("ORD-01", "orders-late-start"),
    ):
        assert rule not in all_cases()[case].requirements
        assert "in every case" in dict(entries(rule)[0].more)["also checked"]
        assert f"by {len(judged_in_every_case())} requirements" in dict(entries(case)[0].more)["also checked"]
        assert f"'yardwire explain {JUDGE}'" in dict(entries(case)[0].more)["also checked"]
        assert f"explain {JUDGE}" in " ".join(page(all_cases()[case]).split())
    assert entries(JUDGE)[0].see == judged_in_every_case()
    (declared,) = entries("LNK-01")
    assert "also checked" not in dict(declared.more)


def test_cases_over_a_supervisor_and_those_that_only_listen_say_nothing_of_it() -> None:
    silent = {id_ for id_, one in all_cases().items() if not is_judged(one)}
    assert silent == {id_ for id_, one in all_cases().items() if one.passive or one.roles == ("supervisor",)}


def test_the_pages_say_the_same(published: Path) -> None:
    rules = (published / "requirements.html").read_text(encoding="utf-8")
    articles = dict(
        re.findall(r'<article class="rule" id="([A-Z]{3}-\d\d)">(.*?)</article>', rules, re.DOTALL)
    )
    assert [id_ for id_, text in articles.items() if "every case</a>, in all that" in text] == list(
        judged_in_every_case()
    )
    cases = (published / "cases.html").read_text(encoding="utf-8")
    (listed,) = re.findall(r'<p id="judge">(.*?)</p>', cases)
    assert re.findall(r">([A-Z]{3}-\d\d)</a>", listed) == list(judged_in_every_case())
    shown = re.findall(r'<article class="rule" id="([\w-]+)">(.*?)</article>', cases, re.DOTALL)
    assert {id_ for id_, text in shown if 'href="#judge"' in text} == {
        id_ for id_, one in all_cases().items() if is_judged(one)
    }
