"""Cases that come to nothing because of another one stand in its line, and the evidence says whose message it shows."""

from __future__ import annotations

import html
import re
from copy import deepcopy
from functools import cache
from typing import Any

import pytest

from conformance.reports import as_html, as_text, first_cause
from conformance.reports.document import document
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run
from protocol.participant import Publication
from protocol.wire.packet import Publish
from reference_node.controller.controller import Controller
from tests.faulty_nodes.every import FAULTY
from tests.faulty_nodes.faulty import run_of
from tests.faulty_supervisors.faulty import judge
from tests.faulty_supervisors.ownership import NeverClaims


class Deaf(Controller):
    """Connects and says what it is, and answers nothing."""

    def receive(self, delivery: Any, now_ms: int) -> list[Publication]:
        return []


class HangsAtAHold(Controller):
    """Answers until the first hold, then nothing any more: its program hangs and its link stays up."""

    hung = False

    def receive(self, delivery: Any, now_ms: int) -> Any:
        self.hung = self.hung or b"hold" in delivery.payload
        return [] if self.hung else super().receive(delivery, now_ms)


def reported(controller: type[Controller]) -> tuple[Run, dict[str, Any]]:
    run = run_of("ferry", controller=controller)
    run.perform()
    return run, document(run, seed=1)


def inconclusive(report: dict[str, Any]) -> list[dict[str, Any]]:
    return [case for case in report["cases"] if case["verdict"] == "inconclusive"]


def test_all_that_rests_on_a_case_has_the_first_of_the_chain_as_its_cause() -> None:
    _, report = reported(Deaf)
    assert len(inconclusive(report)) > 50
    chained = [case for case in inconclusive(report) if "rests on it" in case["reason"]]
    assert {case["cause"] for case in chained} == {"orders-ask"}
    assert any(case["after"] and "orders-ask" not in case["after"] for case in chained), "chains of several"


def test_a_node_that_hangs_is_one_cause_and_not_as_many_as_there_are_cases() -> None:
    run, report = reported(HangsAtAHold)
    first = next(case for case in report["cases"] if case["verdict"] not in ("pass", "none"))
    assert "hold" in first["id"]
    assert first["cause"] == ""
    behind = [case["cause"] for case in inconclusive(report) if case is not first]
    assert len(behind) > 20
    assert set(behind) == {first["id"]}
    text = as_text.render(report)
    assert text.count("INCONCLUSIVE") <= 2
    assert len(text.splitlines()) < 100, "three findings, each with ten messages of up to two lines"
    assert run.verdict is Verdict.FAIL


def test_the_terminal_and_the_page_tell_a_chain_in_one_line_and_json_all_of_it() -> None:
    _, report = reported(Deaf)
    text = as_text.render(report)
    folded = [case["id"] for case in inconclusive(report) if case["cause"] == "orders-ask"]
    line = f"{len(folded)} cases not judged because of it: {', '.join(folded[:3])} and {len(folded) - 3} more"
    assert line in " ".join(text.split())
    assert f"INCONCLUSIVE  {folded[0]}" not in text
    chained = sum(bool(case["cause"]) for case in inconclusive(report))
    assert f"{len(inconclusive(report))} inconclusive ({chained} because of another case)" in " ".join(
        text.split()
    )
    page = as_html.render(report)
    assert line in page
    assert page.count(f">{folded[-1]}<") == 0, "it has no row of its own"
    assert folded[-1] in page, "and is named where all of them are"


def test_a_cause_that_the_report_does_not_hold_hides_nothing() -> None:
    _, report = reported(Deaf)
    report["cases"] = [case for case in report["cases"] if case["id"] != "orders-ask"]
    text = as_text.render(report)
    assert text.count("INCONCLUSIVE  ") == len(inconclusive(report))


def test_a_line_of_evidence_says_whose_message_it_is() -> None:
    """A supervisor's evidence is full of nodes: 'crane-status' alone says nothing."""

    result = judge(NeverClaims, only=("supervisor-asks",))["supervisor-asks"]
    assert result.evidence is not None
    messages = [line for line in result.evidence.lines if not line.name.isupper()]
    assert messages
    assert {line.node for line in messages} <= {"north", "south", "siding", "ferry", "yard"}
    assert len({line.node for line in messages}) > 1


def test_a_supervisor_that_never_claims_fails() -> None:
    results = judge(NeverClaims)
    told = results["supervisor-asks"]
    assert told.verdict is Verdict.FAIL, told.reason
    assert told.evidence is not None
    assert told.evidence.requirement == "SUP-01"
    assert "a claim to" in told.evidence.expected


@pytest.mark.parametrize("qos", [1])
def test_what_is_no_message_of_the_protocol_has_no_node(qos: int) -> None:
    run = run_of("ferry", only=("link-says-on",))
    run.perform()
    from conformance.suite.verdict import Broken
    from conformance.tester.evidence import gather

    packet = Publish("somewhere/else", b"x", qos=qos, retain=False, dup=False, packet_id=1)
    trace = run.fixture.log.add(connection=1, at_ms=9e9, from_node=False, size=3, packet=packet)
    line = gather(Broken("ORD-03", "a", "b", trace.number), run.fixture.log).lines[-1]
    assert (line.node, line.name) == ("", "somewhere/else")


# ---------------------------------------------------------------- what a reader sees first and last
def test_a_report_begins_with_the_first_cause_and_ends_with_what_failed() -> None:
    _, report = reported(Deaf)
    failed = [case["id"] for case in report["cases"] if case["verdict"] == "fail"]
    assert failed
    lines = as_text.render(report).splitlines()
    assert lines[0].startswith(f"FIRST CAUSE  {failed[0]}: ")
    assert f"  fix: begin with it; 'yardwire explain {failed[0]}' says what it checks" in lines[:6]
    closing = lines[lines.index(f"failed: {len(failed)}") + 1 :]
    assert [line.split(":")[0].strip() for line in closing if line[2] != " "] == failed
    assert max(map(len, lines)) <= 80


@cache
def with_one_mistake(name: str = "KeepsOneOrderOnly") -> dict[str, Any]:
    run = FAULTY[name].run()
    run.perform()
    return document(run, seed=1)


def test_the_first_cause_can_be_understood_alone_and_all_others_may_come_from_it() -> None:
    report = with_one_mistake()
    failed = [case for case in report["cases"] if case["verdict"] == "fail"]
    assert len(failed) > 2
    text = as_text.render(report)
    assert max(map(len, text.splitlines())) <= as_text.WIDTH
    first, evidence = text.partition("\n\n")[0], failed[0]["evidence"]
    said = " ".join(first.split())
    assert said.startswith(f"FIRST CAUSE {failed[0]['id']}: {evidence['requirement']}, expected ")
    for words in (evidence["expected"], f"seen {evidence['seen']}", f"perhaps {evidence['causes'][0]}"):
        assert words in said
    assert f"{len(failed) - 1} more cases failed; fix this first: they may have the same cause" in said
    assert "by themselves" not in text, "which says that they have nothing to do with each other"


def test_the_list_at_the_end_says_of_each_failure_what_was_expected_and_seen() -> None:
    report = with_one_mistake()
    failed = [case for case in report["cases"] if case["verdict"] == "fail"]
    closing = as_text.render(report).partition(f"\nfailed: {len(failed)}\n")[2]
    entries = " ".join(closing.split())
    for case in failed:
        begin = entries.index(f"{case['id']}: {case['evidence']['requirement']}, expected ")
        assert case["evidence"]["expected"][:40] in entries[begin:]
        assert f"seen {str(case['evidence']['seen'])[:40]}" in entries[begin:]


def test_a_long_word_is_cut_and_a_failure_without_evidence_says_its_reason() -> None:
    report = deepcopy(with_one_mistake())
    first = next(case for case in report["cases"] if case["verdict"] == "fail")
    first["evidence"] |= {"seen": "x" * 1000, "causes": []}
    told = first_cause.in_short(first)
    assert "seen xxx" in told
    assert told.endswith("x ...")
    assert len(told) < 3 * first_cause.LONGEST
    assert first_cause.perhaps(first) == ""
    first |= {"verdict": "error", "evidence": None, "reason": "Traceback\n  of the kit"}
    assert first_cause.in_short(first) == f"{first['id']}: Traceback of the kit"
    assert first_cause.perhaps(first) == ""
    assert f'id="first-cause">First cause: <a href="#case-{first["id"]}"' in as_html.render(report)


def test_the_page_begins_with_the_same_first_cause_and_leads_to_its_case() -> None:
    report = with_one_mistake()
    first = next(case for case in report["cases"] if case["verdict"] == "fail")
    page = as_html.render(report)
    top = page[page.index('<section class="first"') : page.index('<nav aria-label="Contents"')]
    said = html.unescape(re.sub("<[^>]+>", "", top))
    for words in (first["id"], first["evidence"]["expected"], first["evidence"]["seen"]):
        assert words in said
    assert re.search(rf"perhaps\s*{re.escape(first['evidence']['causes'][0])}", said)
    assert "more cases failed; fix this first: they may have the same cause" in said
    assert f'href="#case-{first["id"]}"' in top
    assert page.count(f'id="case-{first["id"]}"') == 1
    assert 'class="first"' not in as_html.render(reported(Controller)[1])


def test_one_other_failure_is_one() -> None:
    cases = [{"id": "a"}, {"id": "b"}]
    assert first_cause.others(cases[:1]) == ""
    assert first_cause.others(cases).startswith("1 more case failed; fix this first: it may have")


@pytest.mark.parametrize(("number", "folds"), [(1, 0), (3, 0), (4, 1)])
def test_all_of_them_are_folded_only_where_the_line_does_not_name_them_all(number: int, folds: int) -> None:
    report = deepcopy(reported(Deaf)[1])
    left = 0
    for case in report["cases"]:
        left += case["cause"] == "orders-ask"
        if left > number and case["cause"] == "orders-ask":
            case |= {"cause": "", "verdict": "none"}
    page = as_html.render(report)
    assert page.count("<summary>All of them</summary>") == folds


def test_a_count_of_one_has_its_noun_in_the_singular() -> None:
    report = deepcopy(reported(Controller)[1])
    passed = next(case for case in report["cases"] if case["verdict"] == "pass")
    report |= {"counts": dict.fromkeys(report["counts"], 0) | {"pass": 1}, "judged": {"ORD-03": 1}}
    report["cases"], report["not_reached"] = [passed | {"taken_over": True}], ["orders-rate"]
    text = as_text.render(report)
    for words in ("1 case: 1 pass", "1 time, by 1 requirement\n", "1 verdict is that of the earlier run"):
        assert words in text
    page = as_html.render(report)
    assert "Not reached: 1 case<" in page
    assert "Judged 1 time in" in page


def test_where_nothing_failed_there_is_neither() -> None:
    _, report = reported(Controller)
    text = as_text.render(report)
    assert "FIRST CAUSE" not in text
    assert "failed:" not in text
