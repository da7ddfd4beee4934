"""`conform` says first whether this is the node that was asked for, and moves nothing in doubt: on the wire."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import start_broker
from protocol.codec import encode
from protocol.site import Encoding
from protocol.site_file import scenario_text
from protocol.validation import read_message
from tests.bench import wire
from tests.commands.at_the_tap import PATIENCE_S, conforming, node

OWN = "yw1/harlow-basin/ferry"
SOON = "import conformance.bench.tap.arrival as w; w.WAIT_S = 4; "


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


@pytest.mark.parametrize(
    ("topic", "told", "fix"),
    [
        (
            "yw1/harlow-basin/north",
            "calls itself 'north', and 'ferry' was asked for",
            "yardwire conform north",
        ),
        ("yw1/mill-end/ferry", "belongs to the site 'mill-end', and 'harlow-basin' was asked for", "site"),
        ("yw2/harlow-basin/ferry", "speaks protocol 'yw2', and this kit judges 'yw1'", "every topic begins"),
    ],
)
def test_a_board_of_another_name_site_or_version_is_named_as_that(
    topic: str, told: str, fix: str, site: Path
) -> None:
    with conforming("ferry", "--site", site, "--no-motion", "--choice", "embedded", prelude=SOON) as kit:
        board = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="board-17")
        board.will_set(f"{topic}/node-status", b"{}", 1, retain=True)
        board.connect("127.0.0.1", kit.port, keepalive=10)
        board.loop_start()
        code, out, err = kit.ended()
        board.loop_stop()
    assert code == 2, out + err
    assert told in err
    assert fix in err
    assert "Traceback" not in err


def test_a_board_of_another_role_stops_it_before_the_first_case(site: Path, tmp_path: Path) -> None:
    swapped = tmp_path / "swapped.toml"
    text = scenario_text().replace("ferry", "FERRY").replace("siding", "ferry").replace("FERRY", "siding")
    swapped.write_text(text)
    file = tmp_path / "report.json"
    arguments = ("ferry", "--site", site, "--yes", "--choice", "embedded", "--json", file)
    with conforming(*arguments) as kit, node("ferry", swapped, kit.port):
        code, out, err = kit.ended()
    assert code == 2, out + err
    assert "this is not the shuttle 'ferry' that was asked for: role: the node says berth" in err
    report = json.loads(file.read_text())
    assert (report["cases"], report["complete"], report["verdict"]) == ([], False, "inconclusive")
    assert report["identity"]["differences"][0]["rule"] == "stops"
    assert out.startswith("ferry says: berth; ") or "FIRST" in out


def test_a_board_with_another_site_file_in_it_is_judged_and_not_moved(site: Path, tmp_path: Path) -> None:
    """Watched from outside: no order to run is ever published, though motion was allowed."""
    other, file = tmp_path / "other.toml", tmp_path / "report.json"
    text = scenario_text()
    changed = text.replace("run_timeout_ms = ", "run_timeout_ms = 1")
    assert changed != text
    other.write_text(changed)
    acts: list[Any] = []

    def heard(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        acts.append((read_message("job-order", bytes(message.payload), closed=True).body or {}).get("act"))

    with start_broker("embedded") as broker:
        arguments = ("ferry", "--site", site, "--yes", "--broker", broker.url, "--json", file)
        with (
            conforming(*arguments, "--only", "shuttle-runs", "--only", "orders-ask") as kit,
            node("ferry", other, kit.port),
        ):
            ear = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="ear")
            ear.on_message = heard
            ear.connect("127.0.0.1", broker.port)
            ear.subscribe(f"{OWN}/job-order", 1)
            ear.loop_start()
            code, out, err = kit.ended()
            ear.loop_stop()
    assert code == 1, out + err
    assert "ask" in acts
    assert "run" not in acts
    verdicts = {
        case["id"]: (case["verdict"], case["cause"]) for case in json.loads(file.read_text())["cases"]
    }
    assert verdicts["shuttle-runs"] == ("inconclusive", "identity")
    assert verdicts["orders-ask"] == ("pass", "")
    assert "FIRST    digest" in out


def test_a_second_board_of_the_name_anywhere_on_the_bus_ends_the_run(site: Path) -> None:
    """It comes to the broker past the tap. The machine is left held, since an order may have moved either."""
    acts: list[Any] = []
    spoken = threading.Event()
    status: list[dict[str, Any]] = []

    def heard(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("node-status"):
            body = read_message("node-status", bytes(message.payload), closed=True).body or {}
            if body.get("state") == "on" and not spoken.is_set():
                status.append(dict(body))
                spoken.set()
            return
        acts.append((read_message("job-order", bytes(message.payload), closed=True).body or {}).get("act"))

    with start_broker("embedded") as broker:
        arguments = ("ferry", "--site", site, "--yes", "--broker", broker.url)
        with conforming(*arguments) as kit, node("ferry", site, kit.port):
            twin = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="ferry-two")
            twin.on_message = heard
            twin.connect("127.0.0.1", broker.port)
            twin.subscribe([(f"{OWN}/node-status", 1), (f"{OWN}/job-order", 1)])
            twin.loop_start()
            assert spoken.wait(PATIENCE_S)
            body = status[0] | {"boot": (status[0]["boot"] + 1) % 65536, "firmware": "two"}
            twin.publish(f"{OWN}/node-status", encode("node-status", body, Encoding.JSON), 1)
            code, out, err = kit.ended()
            twin.loop_stop()
    assert code == 2, out + err
    assert "another board on this bus says that it is 'ferry' too" in err
    assert "firmware 'two'" in " ".join(err.split())
    assert "hold" in acts


def test_what_the_broker_has_kept_of_an_earlier_life_is_no_second_board(site: Path, tmp_path: Path) -> None:
    body = {
        "boot": 4711, "seq": 1, "uptime": 5, "mark": 0, "state": "on", "link": 1, "roles": ["shuttle"],
        "firmware": "old", "minor": 1, "reads": "both", "reset": "power-on", "bench": True, "digest": 1, "buffer": 384,
    }  # fmt: skip
    payload = encode("node-status", body, Encoding.JSON)
    assert read_message("node-status", payload, closed=True).body
    with start_broker("embedded") as broker:
        with wire.client(broker.port, "gone") as gone:
            gone.send(wire.publish(f"{OWN}/node-status", payload, 1, retain=True))
            gone.fence()
        arguments = ("ferry", "--site", site, "--no-motion", "--broker", broker.url, "--only", "orders-ask")
        with conforming(*arguments) as kit, node("ferry", site, kit.port):
            code, out, err = kit.ended()
    assert code == 0, out + err


@pytest.mark.parametrize(
    ("words", "told"), [('["false"]', "has ended with 1"), ('["timeout", "8", *c]', "has ended with 124")]
)
def test_a_program_that_has_ended_is_said_at_once(words: str, told: str, site: Path) -> None:
    """Before it connects, and in the middle of a run: no case is blamed on a node that is not there."""
    prelude = (
        "import conformance.bench.processes.spawned_node as s; o = s.SpawnedNode.__init__; "
        f"s.SpawnedNode.__init__ = lambda self, c, e: o(self, {words}, e); "
    )
    with conforming("ferry", "--site", site, "--spawn", "--choice", "embedded", prelude=prelude) as kit:
        code, out, err = kit.ended()
    assert code == 2, out + err
    assert "the program of the node" in err
    assert told in err
    assert "FAIL " not in out
