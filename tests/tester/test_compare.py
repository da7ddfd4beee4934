"""What broke and what was fixed since an earlier report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from conformance.reports import as_text
from conformance.reports.compare import Change, changes, since
from conformance.reports.document import FORMAT, document
from conformance.reports.earlier import read_report, require_same
from protocol.trouble import Trouble
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of


class Deaf(Controller):
    """Connects and says what it is, and answers nothing."""

    def receive(self, delivery: object, now_ms: int) -> list[object]:  # type: ignore[override]
        return []


def performed(controller: type[Controller] = Controller, *only: str) -> str:
    run = run_of("ferry", controller=controller, only=only or None)
    run.perform()
    return json.dumps(document(run, seed=1))


KEPT: dict[tuple[type[Controller], tuple[str, ...]], str] = {}


def report(controller: type[Controller] = Controller, *only: str) -> dict[str, Any]:
    """The report of a run that is made once: a copy, for the test may change it."""
    if (controller, only) not in KEPT:
        KEPT[controller, only] = performed(controller, *only)
    return dict(json.loads(KEPT[controller, only]))


@pytest.mark.parametrize(
    ("before", "now", "kind"),
    [
        ("pass", "fail", "broke"),
        ("pass", "inconclusive", "broke"),
        ("none", "fail", "broke"),
        ("new", "error", "broke"),
        ("fail", "pass", "fixed"),
        ("inconclusive", "pass", "fixed"),
        ("new", "pass", "otherwise"),
        ("none", "pass", "otherwise"),
        ("pass", "none", "otherwise"),
        ("fail", "none", "otherwise"),
        ("fail", "inconclusive", "otherwise"),
        ("pass", "gone", "otherwise"),
        ("fail", "gone", "otherwise"),
    ],
)
def test_what_a_change_is_called(before: str, now: str, kind: str) -> None:
    assert Change("link-one", before, now).kind == kind


@pytest.mark.slow
def test_nothing_changes_between_two_runs_of_one_firmware() -> None:
    assert changes(report(), json.loads(performed())) == ()


def test_what_broke_is_told_in_json_and_on_the_terminal() -> None:
    before, now = report(), report(Deaf)
    before["firmware"] = "0.9"
    now["since"] = since(before, now)
    told = {one["id"]: (one["before"], one["now"]) for one in now["since"]["broke"]}
    assert told["orders-ask"] == ("pass", "fail")
    assert told["orders-stale"] == ("pass", "inconclusive")
    assert now["since"]["fixed"] == []
    text = as_text.render(now)
    assert "broke   orders-ask (pass, now fail)" in text
    assert "firmware 0.9 then" in text
    assert max(map(len, text.splitlines())) <= as_text.WIDTH


@pytest.mark.slow
def test_what_was_fixed_is_told_the_other_way_round() -> None:
    before, now = report(Deaf), report()
    now["since"] = since(before, now)
    assert "orders-ask" in {one["id"] for one in now["since"]["fixed"]}
    text = as_text.render(now)
    assert "fixed   orders-ask (fail, now pass)" in text
    assert "nothing broke" in text


@pytest.mark.slow
def test_a_run_of_a_few_cases_breaks_none_of_the_others() -> None:
    before, now = report(), report(Controller, "orders-ask")
    assert since(before, now)["broke"] == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (None, "cannot be read"),
        ("{", "not JSON"),
        ("[]", "not a conformance report"),
        ('{"kit": "1"}', "it has no 'protocol'"),
    ],
)
def test_what_is_no_report_is_told_in_one_message(text: str | None, told: str, tmp_path: Path) -> None:
    path = tmp_path / "earlier.json"
    if text is not None:
        path.write_text(text)
    with pytest.raises(Trouble, match=told):
        read_report(path, format_=FORMAT)


def test_a_report_of_another_format_or_node_is_not_compared(tmp_path: Path) -> None:
    path = tmp_path / "earlier.json"
    path.write_text(json.dumps(report(Controller, "orders-ask")))
    with pytest.raises(Trouble, match=f"its format is {FORMAT}"):
        read_report(path, format_=FORMAT + 1)
    earlier = read_report(path, format_=FORMAT)
    require_same(earlier, path, site="harlow-basin", node="ferry")
    with pytest.raises(Trouble, match="another node: 'ferry', and now it is 'north'"):
        require_same(earlier, path, node="north")
