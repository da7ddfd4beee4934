"""Before anything else: is this the node that was asked for? What differs stops the run, or keeps it from moving."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.oracle.link_log import Log
from conformance.reports import as_html, as_junit, as_text
from conformance.reports.document import document
from conformance.suite.verdict import Verdict
from conformance.tester.identity import identity, motion_withheld, require_asked_for
from conformance.tester.runner import Run
from protocol.site_file import scenario
from protocol.trouble import Trouble
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of

MOVING = ("shuttle-runs",)


def saying(**fields: Any) -> type[Controller]:
    """A node whose node-status says something else; None leaves a field out."""

    class Says(Controller):
        def node_status(self) -> dict[str, Any]:
            told = super().node_status() | fields
            return {key: value for key, value in told.items() if value is not None}

    return Says


def heard(**fields: Any) -> Run:
    run = run_of("ferry", controller=saying(**fields), only=MOVING)
    run.fixture.bench.wait(lambda: run.fixture.log.latest("node-status") is not None, 5_000)
    return run


@pytest.mark.parametrize(
    ("fields", "subject", "rule"),
    [
        ({"roles": ["crane"]}, "role", "stops"),
        ({"roles": ["shuttle", "crane"]}, "role", "no motion"),
        ({"digest": 1}, "digest", "no motion"),
        ({"reads": "json"}, "encoding", "no motion"),
    ],
)
def test_each_difference_has_its_rule_and_says_what_to_do(
    fields: dict[str, Any], subject: str, rule: str
) -> None:
    run = heard(**fields)
    (told,) = identity(run.fixture.log, run.fixture.node).differences
    assert (told.subject, told.rule) == (subject, rule)
    assert told.do
    assert told.said in told.text
    assert told.expected in told.text


def test_the_node_that_was_asked_for_differs_in_nothing_and_may_move() -> None:
    run = heard()
    told = identity(run.fixture.log, run.fixture.node)
    assert told.differences == ()
    assert told.says.startswith("shuttle; firmware ")
    assert told.says.endswith("digest as in the site file; on the bench")
    require_asked_for(run.fixture)
    assert motion_withheld(run.fixture) == ""


def test_firmware_of_another_name_is_said_and_judged_all_the_same() -> None:
    site = scenario()
    site = replace(site, nodes=dict(site.nodes) | {"ferry": replace(site.nodes["ferry"], firmware="another")})
    run = run_of("ferry", controller=saying(firmware="0.1"), site=site)
    require_asked_for(run.fixture)
    (told,) = identity(run.fixture.log, run.fixture.node).differences
    assert (told.subject, told.rule) == ("firmware", "goes on")
    assert motion_withheld(run.fixture) == ""


def test_a_node_with_another_encoding_only_is_not_spoken_to() -> None:
    site = scenario()
    site = replace(site, nodes=dict(site.nodes) | {"ferry": replace(site.nodes["ferry"], reads="cbor")})
    run = run_of("ferry", controller=saying(reads="json"), site=site)
    with pytest.raises(Trouble, match=r"encoding: the node says that it reads json.* reads cbor"):
        require_asked_for(run.fixture)


def test_a_node_of_another_role_stops_before_anything_is_judged() -> None:
    run = heard(roles=["crane"])
    with pytest.raises(
        Trouble, match=r"not the shuttle 'ferry' that was asked for: role: the node says crane"
    ):
        require_asked_for(run.fixture)
    assert run.results == {}


@pytest.mark.parametrize("fields", [{"digest": 1}, {"bench": None}])
def test_who_moves_it_without_a_gate_of_its_own_is_stopped_in_doubt(fields: dict[str, Any]) -> None:
    """The fuzzer: it orders whatever there is."""
    run = run_of("ferry", controller=saying(**fields))
    require_asked_for(run.fixture)
    with pytest.raises(Trouble, match="nothing is moved"):
        require_asked_for(run.fixture, moves=True)


@pytest.mark.parametrize("fields", [{"digest": 1}, {"bench": None}, {"reads": "json"}, {"roles": ["crane"]}])
def test_nothing_moves_where_the_node_is_in_doubt(fields: dict[str, Any]) -> None:
    """Seen at the bus, and not by the verdict alone: the node never says that it has taken a job."""
    assert took_jobs(saying()), "else the rest shows nothing"
    assert not took_jobs(saying(**fields))


def took_jobs(controller: type[Controller]) -> bool:
    run = run_of("ferry", controller=controller)
    run.perform()
    return any(m.body.get("state") in ("accepted", "running") for m in run.fixture.log.sent("job-report"))


@pytest.mark.parametrize("fields", [{"digest": 1}, {"reads": "json"}, {"roles": ["crane"]}])
def test_what_would_move_is_inconclusive_with_the_reason(fields: dict[str, Any]) -> None:
    run = run_of("ferry", controller=saying(**fields))
    run.perform()
    moving = [
        result for result in run.results.values() if result.case.moves and "shuttle" in result.case.roles
    ]
    assert {result.verdict for result in moving} <= {Verdict.INCONCLUSIVE, Verdict.NONE}
    assert any("nothing is moved" in result.reason for result in moving)


@pytest.mark.parametrize("fields", [{"digest": 1}, {"bench": None}])
def test_what_was_withheld_is_no_pass_though_it_was_asked_for_alone(fields: dict[str, Any]) -> None:
    run = run_of("ferry", controller=saying(**fields), only=MOVING)
    assert run.perform()[MOVING[0]].verdict is Verdict.INCONCLUSIVE
    assert run.verdict in (Verdict.INCONCLUSIVE, Verdict.FAIL)


def test_a_node_that_is_another_after_its_reset_is_not_moved_any_more() -> None:
    """The gate looks at what the node said last: a board that was flashed meanwhile is another one."""

    class Flashed(Controller):
        starts = 0

        def __init__(self, *args: Any, **named: Any) -> None:
            super().__init__(*args, **named)
            Flashed.starts += 1
            self.start = Flashed.starts

        def node_status(self) -> dict[str, Any]:
            return super().node_status() | ({"digest": 1} if self.start > 1 else {})

    run = run_of("ferry", controller=Flashed)
    require_asked_for(run.fixture)
    assert motion_withheld(run.fixture) == ""
    run.fixture.bench.restart()
    run.fixture.ask()
    assert motion_withheld(run.fixture).startswith("digest: the node says 1")


def test_the_first_cause_stands_on_top_of_every_report_with_what_to_do() -> None:
    run = run_of("ferry", controller=saying(digest=1))
    run.perform()
    report = document(run, seed=1)
    lines = as_text.render(report).splitlines()
    assert lines[0].startswith("ferry says: shuttle; firmware ")
    assert next(line for line in lines[1:] if line and line[0] != " ").startswith(
        "FIRST    digest: the node says 1"
    )
    top = " ".join(" ".join(lines[:10]).split())
    assert "yardwire site digest" in top
    assert "nothing that moves is run" in top
    assert report["identity"]["differences"][0]["rule"] == "no motion"
    page = as_html.render(report)
    assert page.index("digest: the node says 1") < page.index("Verdict:")
    assert "digest: the node says 1" in as_junit.render(report)


def test_a_node_that_has_not_connected_is_told_apart_from_one_that_says_nothing() -> None:
    """It may move as little."""
    nobody = identity(Log(), scenario().nodes["ferry"])
    assert "has not connected" in nobody.differences[0].text
    assert "start ferry" in nobody.differences[0].do
    assert nobody.motion_withheld


def never_heard(*, connects: bool) -> dict[str, Any]:
    """The report of a run that has ended while it waited for the first word of the node."""
    run = run_of("ferry")
    run.plan()
    if connects:
        run.fixture.bench.wait(lambda: bool(run.fixture.log.connects()), 5_000)
    assert bool(run.fixture.log.connects()) is connects
    assert run.fixture.log.latest("node-status") is None
    return document(run, seed=1, complete=False, stopped="nothing was heard within 30 s")


def test_where_nothing_connected_there_is_no_difference_to_explain() -> None:
    """What ends the run stands there, and not how one goes on with a node that differs."""
    report = never_heard(connects=False)
    text = as_text.render(report)
    assert text.splitlines()[:2] == [
        "FIRST    connection: ferry has not connected",
        "  do       start ferry and point it at the address that was told",
    ]
    page = as_html.render(report)
    assert "connection: ferry has not connected" in page
    assert "bench or in service not told" in page
    for told in (text, page):
        assert "goes on" not in told
        assert "in service;" not in told
        assert "nothing was heard within 30 s" in " ".join(told.split())


def test_what_follows_is_said_of_a_node_that_connects_and_says_nothing() -> None:
    report = never_heard(connects=True)
    assert report["identity"]["differences"][0]["subject"] == "node-status"
    assert "rule     goes on, and nothing that moves is run" in as_text.render(report)
    assert "The run goes on, and nothing that moves is run." in as_html.render(report)


def test_the_line_of_the_connection_says_that_the_digest_is_not_the_site_files() -> None:
    run = heard(digest=1)
    node = run.fixture.node
    assert f"; digest 1, not the site file's {node.digest};" in identity(run.fixture.log, node).says
    assert "; digest as in the site file;" in identity(heard().fixture.log, node).says
