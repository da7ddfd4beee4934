"""The walk as a user runs it: told before anything moves, on a real broker, ended by a hold or Ctrl-C, in reports."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import start_broker
from conformance.commands.conform.walking import told
from conformance.reports import as_html, as_text
from conformance.reports.document import document
from conformance.reports.walk import document as walk_document
from conformance.reports.walk import drawing
from conformance.suite.case import all_cases
from conformance.tester.walk.length import length_of
from conformance.tester.walk.walk_case import ID, walk_case
from protocol.site_file import scenario, scenario_text
from protocol.validation import read_message
from tests.commands.at_the_tap import PATIENCE_S, Kit, conforming, node
from tests.faulty_nodes.faulty import run_of
from tests.walk.context_faults import FAULTS
from tests.walk.walking import walk


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


def report_of(fault: str) -> dict[str, Any]:
    """The report of a walk over a node with a fault, on virtual time."""
    run = run_of(FAULTS[fault].node, controller=FAULTS[fault].controller, only=(ID,))
    seen: list[Any] = []
    run.perform([*all_cases().values(), walk_case(record=seen.append)])
    return document(run, seed=1) | {"walk": walk_document(seen[0])}


# ---------------------------------------------------------------- before anything moves


def test_the_yes_before_motion_names_the_walk_and_its_length(site: Path) -> None:
    with conforming("ferry", "--site", site, "--only", ID, "--choice", "embedded", "--yes") as kit:
        kit.interrupt()
        code, _, err = kit.ended()
    assert code == 130
    said = " ".join(err.split())
    length = length_of(scenario(), "ferry", 1)
    assert f"every transition of its machine: at most about {length.steps} steps (orders and events)" in said
    assert f"some {length.jobs} of them jobs that move it" in said
    assert said.startswith("The walk moves the shuttle 'ferry'.")
    assert "CAUTION" in said


def test_nothing_is_told_of_a_walk_that_is_left_out() -> None:
    cases = [*all_cases().values(), walk_case()]
    assert told(scenario(), "ferry", 1, cases)
    assert told(scenario(), "ferry", 0, cases) == ""
    assert told(scenario(), "ferry", 1, all_cases().values()) == ""


@pytest.mark.parametrize("name", ["ferry", "siding"])
def test_the_length_that_is_told_is_about_that_of_the_walk(name: str) -> None:
    length, (_, walked) = length_of(scenario(), name, 1), walk(name)
    assert len(walked.trail) == pytest.approx(length.steps, rel=0.1)
    assert walked.jobs == pytest.approx(length.jobs, abs=6)


# ---------------------------------------------------------------- on a real broker


@pytest.mark.slow
def test_over_a_real_broker_it_walks_all_of_the_machine(site: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    with conforming("ferry", "--site", site, "--only", ID, "--spawn", "--json", report) as kit:
        code, out, err = kit.process.communicate(timeout=240)[0], "", ""
    walked = json.loads(report.read_text())["walk"]
    assert kit.process.returncode == 0, (code, out, err)
    assert walked["walked"] == walked["size"] == 445
    assert (walked["broken"], walked["missed"]) == (None, [])


def test_without_motion_it_walks_on_a_real_broker_and_starts_no_job(site: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    with conforming(
        "siding", "--site", site, "--only", ID, "--no-motion", "--spawn", "--json", report
    ) as kit:
        code, out, err = kit.ended()
    assert code == 0, out + err
    walked = json.loads(report.read_text())["walk"]
    assert (walked["walked"], walked["jobs"], walked["motion"]) == (96, 0, False)
    assert "96 of 96 transitions of 4 states" in out


ORDERS = 12
"""So many orders that are no asks are sent by the walk alone: the cases that it rests on only ask."""


@contextmanager
def walking(site: Path, *more: str | Path) -> Iterator[tuple[Kit, mqtt.Client]]:
    """A walk that is under way over a node in its own process, and another client of the broker between them."""
    orders, enough = [], threading.Event()

    def heard(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        act = (read_message("job-order", bytes(message.payload), closed=False).body or {}).get("act", "ask")
        orders.extend([act] if act != "ask" else [])
        if len(orders) >= ORDERS:
            enough.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = heard
    with (
        start_broker("mosquitto") as broker,
        conforming("ferry", "--site", site, "--only", ID, "--yes", "--broker", broker.url, *more) as kit,
    ):
        client.connect(broker.host, broker.port)
        client.subscribe("yw1/harlow-basin/ferry/job-order")
        client.loop_start()
        try:
            with node("ferry", site, kit.port):
                assert enough.wait(PATIENCE_S)
                yield kit, client
        finally:
            client.disconnect()
            client.loop_stop()


@pytest.mark.parametrize("to", ["ferry", "all"])
def test_a_hold_from_anybody_ends_it_and_the_node_stays_held(site: Path, tmp_path: Path, to: str) -> None:
    """Also one that is, byte for byte, like those that the walk sends itself."""
    report = tmp_path / "report.json"
    with walking(site, "--json", report) as (kit, client):
        topic = f"yw1/harlow-basin/{to}/job-order"
        client.publish(topic, b'{"act":"hold"}', qos=1).wait_for_publish(PATIENCE_S)
        code, out, err = kit.ended()
    assert code == 2, out + err
    assert "somebody else ordered 'hold'" in " ".join(err.split())
    assert "ferry is held." in err or "ferry was told to hold" in err
    told = json.loads(report.read_text())
    assert (told["verdict"], told["complete"]) == ("inconclusive", False)
    assert 0 < told["walk"]["walked"] < told["walk"]["size"]


def test_ctrl_c_ends_it_with_what_was_walked_and_leaves_the_node_held(site: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    with walking(site, "--walk", "2", "--json", report) as (kit, _client):
        kit.interrupt()
        code, out, err = kit.ended()
    assert code == 130, out + err
    assert "ferry is held." in err or "ferry was told to hold" in err
    assert 0 < json.loads(report.read_text())["walk"]["walked"] < 10_000
    assert "pairs of transitions" in out


# ---------------------------------------------------------------- reports


def test_the_shortest_way_to_a_difference_stands_in_the_report() -> None:
    report = report_of("CountsNoArrivalAfterAFailedOne")
    text = as_text.render(report)
    assert "FAIL  walk" in text
    assert "BER-06 shows so, the shortest way from a start of the node:" in text
    steps = re.findall(r"^ +(\d+)\. (.*?) +\(in", text, re.MULTILINE)
    assert [what for _, what in steps] == [
        "a reset-fault with what was found",
        "admit, in time",
        "motor power lost and found",
        "a reset-fault with what was found",
        "admit, in time",
    ]
    assert all(len(line) <= 80 for line in text.splitlines())


def test_the_machine_is_drawn_in_the_page_in_light_and_dark() -> None:
    report = report_of("CountsNoArrivalAfterAFailedOne")
    page = as_html.render(report)
    layout = drawing(report["walk"])
    assert [one.name for one in layout.platforms if one.kind == "broken"] == [report["walk"]["at"]]
    assert {one.name for one in layout.platforms} >= {"lost", "empty", "at-rest", "admitting, admit"}
    assert all(one.name in page for one in layout.platforms)
    assert '<figure class="plan">' in page
    assert "prefers-color-scheme: dark" in page
    assert all(f'<b class="g{one.group % 4}">{one.number}</b>' in page for one in layout.tracks)
    assert all(re.fullmatch(r"\d+ of \d+ walked", one.note) for one in layout.platforms)


def test_a_report_of_no_walk_has_no_drawing() -> None:
    run = run_of("ferry", only=("orders-ask",))
    run.perform()
    assert "<svg" not in as_html.render(document(run, seed=1))


def test_a_walk_of_an_earlier_run_is_called_that() -> None:
    report = report_of("CountsNoArrivalAfterAFailedOne")
    assert "walk of the earlier run:" not in as_text.render(report)
    walked = next(case for case in report["cases"] if case["id"] == ID)
    walked["taken_over"] = True
    assert "walk of the earlier run: " in as_text.render(report)


def test_what_ends_is_named_where_it_did_not_show_again() -> None:
    report = report_of("CountsNoArrivalAfterAFailedOne")
    report["walk"] |= {"shortest": []}
    assert "it did not show again when it was played again" in as_text.render(report)


def test_a_difference_is_kept_where_the_run_is_stopped_while_its_way_is_made_short(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("conformance.tester.walk.walk.shortest", stopped)
    fault = FAULTS["CountsNoArrivalAfterAFailedOne"]
    run = run_of(fault.node, controller=fault.controller, only=(ID,))
    seen: list[Any] = []
    with pytest.raises(KeyboardInterrupt):
        run.perform([*all_cases().values(), walk_case(record=seen.append)])
    report = document(run, seed=1, stopped="stopped by Ctrl-C") | {"walk": walk_document(seen[0])}
    text = as_text.render(report)
    assert "FAIL  walk" in text
    assert "BER-06" in text
    assert "it was stopped before the way to the difference was short" in text
