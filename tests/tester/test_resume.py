"""Going on with a run that was stopped or whose board hung."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest

from conformance.oracle.link_log import Log
from conformance.reports import as_text
from conformance.reports.document import document
from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.questions import Answered, questions_for
from conformance.tester.result import Result
from conformance.tester.resume import Resumed
from conformance.tester.runner import OPENING, Run, Selection
from protocol.site_file import scenario_text
from protocol.trouble import Trouble
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of

HANGS_AFTER = 120
PATIENCE_S = 60


class Hangs(Controller):
    """Stops answering after a while, as firmware with a leak does."""

    heard = 0

    def receive(self, delivery: Any, now_ms: int) -> Any:
        self.heard += 1
        return [] if self.heard > HANGS_AFTER else super().receive(delivery, now_ms)


def resumed(report: dict[str, Any]) -> Resumed:
    return Resumed(json.loads(json.dumps(report)), Path("partial.json"))


def stopped(after: int) -> dict[str, Any]:
    """The report of a run that was stopped when so many cases had been judged."""
    run = run_of("ferry")
    steps = run.steps()
    for _ in range(after):
        next(steps)
    return document(run, seed=1, complete=False)


def going_on(earlier: Resumed, controller: type[Controller] = Controller) -> tuple[Run, list[str]]:
    """The run that goes on, and the cases whose body it ran."""
    run = run_of("ferry", controller=controller, seed=2)
    judged: list[str] = []

    def watch(case: Case, fixture: Any, judge: Callable[[], Result]) -> Result:
        def noted() -> Result:
            judged.append(case.id)
            return judge()

        return earlier(case, fixture, noted)

    run.earlier = watch
    run.perform()
    return run, judged


def test_a_stopped_run_goes_on_where_it_stopped() -> None:
    partial = stopped(30)
    run, judged = going_on(resumed(partial))
    whole = run_of("ferry").perform()
    assert {id_: one.verdict for id_, one in run.results.items()} == {
        id_: one.verdict for id_, one in whole.items()
    }
    passed = {one["id"] for one in partial["cases"] if one["verdict"] == "pass"}
    assert set(judged) & passed == set(OPENING)
    acting = {id_ for id_ in run.results if not all_cases()[id_].passive}
    told_to_act = {id_ for id_ in acting if resumed(partial).acts_again(all_cases()[id_])}
    assert told_to_act & set(judged) == acting & set(judged), (
        "what moves is told before, and nothing else moves"
    )
    assert not told_to_act & (passed - set(OPENING))
    taken = {id_ for id_, one in run.results.items() if one.taken_over}
    assert taken == passed - set(OPENING)
    assert f"{len(taken)} verdicts are those of the earlier run" in as_text.render(document(run, seed=2))


def test_what_a_hung_board_left_open_is_judged_and_its_failures_stand() -> None:
    before = run_of("ferry", controller=Hangs)
    before.perform()
    open_, failed = (
        {id_ for id_, one in before.results.items() if one.verdict is verdict}
        for verdict in (Verdict.INCONCLUSIVE, Verdict.FAIL)
    )
    assert len(open_) > 5
    assert failed
    run, judged = going_on(resumed(document(before, seed=1)))
    after = {id_: one.verdict for id_, one in run.results.items()}
    assert {id_ for id_, one in after.items() if one is Verdict.FAIL} == failed
    reachable = {
        i for i in open_ if all(after[one] is Verdict.PASS for one in all_cases()[i].after if one in after)
    }
    assert len(reachable) > 5
    assert {after[id_] for id_ in reachable} == {Verdict.PASS}
    assert not failed & set(judged)
    for id_ in failed:
        assert run.results[id_].evidence == before.results[id_].evidence


def test_cases_judged_from_all_that_was_seen_are_judged_again() -> None:
    run = run_of("ferry")
    run.perform()
    _, judged = going_on(resumed(document(run, seed=1)))
    passed = {id_ for id_, one in run.results.items() if one.verdict is Verdict.PASS}
    no_occasion = {
        "link-parting",
        "messages-memory",
        "bench-starts-rise",
    }  # There may be one in the part that is resumed.
    assert set(judged) == {id_ for id_ in passed if all_cases()[id_].passive} | set(OPENING) | no_occasion


@pytest.mark.parametrize(("name", "value"), [("firmware", "0.9"), ("bench", False)])
def test_the_verdicts_of_another_firmware_are_not_taken_over(name: str, value: object) -> None:
    partial = stopped(30) | {name: value}
    with pytest.raises(Trouble, match=name):
        going_on(resumed(partial))


def test_a_run_stopped_twice_loses_nothing() -> None:
    earlier = resumed(stopped(30))
    run = run_of("ferry")
    run.earlier = earlier
    steps = run.steps()
    for _ in range(5):
        next(steps)
    kept = run.results | earlier.unreached(run.results)
    assert set(kept) >= {one["id"] for one in earlier.report["cases"] if one["verdict"] == "pass"}


def test_what_neither_run_came_to_keeps_the_report_incomplete() -> None:
    """Going on with one case of a run that was stopped does not make that run whole."""
    partial = stopped(30)
    earlier = resumed(partial)
    run = run_of("ferry", only=("link-says-on",))
    run.earlier = earlier
    run.perform()
    run.results |= earlier.unreached(run.results)
    assert run.verdict is Verdict.PASS
    run.planned |= earlier.open
    report = document(run, seed=1)
    assert (report["complete"], report["verdict"]) == (False, "inconclusive")
    assert set(report["not_reached"]) == set(partial["not_reached"])


def test_answers_are_taken_over() -> None:
    run = run_of("ferry")
    asked = tuple(Answered(one) for one in questions_for(run.fixture.node))
    partial = document(run, seed=1, people=[Answered(one.question, "yes") for one in asked])
    assert {one.answer for one in resumed(partial).answers(asked)} == {"yes"}


def test_as_a_user_does_it(tmp_path: Path) -> None:
    """A report is resumed in its own file, and a wrong one is told before anything starts."""
    site, report = tmp_path / "site.toml", tmp_path / "report.json"
    site.write_text(scenario_text())

    def conform(node: str, *more: str | Path) -> subprocess.CompletedProcess[str]:
        command = (sys.executable, "-m", "conformance.commands.main", "conform", node, "--site", site)
        options = ("--spawn", "--choice", "embedded", "--json", report)
        return subprocess.run(
            [*command, *options, *more],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )

    first = conform("ferry", "--only", "orders-stale")
    assert first.returncode == 0, first.stderr
    second = conform("ferry", "--only", "orders-late", "--resume", report, "--since", report)
    assert second.returncode == 0, second.stderr
    assert "those of the earlier run" in second.stdout
    assert "nothing broke" in second.stdout
    judged = {one["id"]: one["taken_over"] for one in json.loads(report.read_text())["cases"]}
    assert judged["claim-raises"]
    assert not judged["orders-late"]
    assert judged["orders-stale"], "what the earlier run judged stays in its file"
    kept = report.read_text()
    wrong = conform("north", "--resume", report)
    assert wrong.returncode == 2
    assert "another node" in wrong.stderr
    assert report.read_text() == kept


def test_a_board_that_had_a_job_before_the_kit_looked_is_not_failed_for_it() -> None:
    """It names its last job, whatever became of it (MSG-10); nobody has seen how that began."""
    first = run_of("ferry")
    first.perform()
    before = first.fixture
    job = before.log.latest("shuttle-status")
    assert job is not None
    assert job.body["job_state"] in ("done", "failed", "cancelled")
    before.bench.log = Log()
    again = Fixture(before.bench, before.site, before.name, Random(3))
    run = Run(again, Selection(only=("orders-ask", "orders-job-states")))
    run.perform()
    told = run.results["orders-job-states"]
    assert told.verdict is not Verdict.FAIL, told.evidence
    seen = [one.body.get("job") for one in again.log.sent("shuttle-status") if one.body]
    assert job.body["job"] in seen, "the case has seen that job"


def test_a_pass_stands_where_the_run_that_goes_on_shows_nothing_of_it() -> None:
    run = run_of("siding")
    run.perform()
    earlier = run.results["bench-starts-rise"]
    assert earlier.verdict is Verdict.PASS
    fresh = run_of("siding", seed=2)
    now = Result(earlier.case, Verdict.NONE, "no job that moves something was done")
    stands = resumed(document(run, seed=1))(earlier.case, fresh.fixture, lambda: now)
    assert stands.verdict is Verdict.PASS
