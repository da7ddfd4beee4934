"""Only the node under test is judged: whoever else comes to the tap passes, is said once, and breaks nothing."""

from __future__ import annotations

import json
import queue
import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import start_broker
from conformance.bench.tap.tap import Tap
from protocol.site_file import scenario_text
from protocol.validation import read_message
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Ack, Kind
from tests.bench import wire
from tests.commands.at_the_tap import PATIENCE_S, conforming, node

OWN = "yw1/harlow-basin/ferry"
JUDGED = (
    "link-keep-alive", "link-client-id", "link-connect-size", "link-retain-flags", "link-subscribes", "link-will",
    "link-subscribe-first", "encoding-topics", "encoding-one-item", "messages-seq", "messages-boot", "orders-in-order",
)  # fmt: skip
"""Cases that a stranger who is taken for the node would break."""
ONLY = [word for id_ in JUDGED for word in ("--only", id_)]
NOISE = 40


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


@contextmanager
def stranger(port: int, client_id: str) -> Iterator[mqtt.Client]:
    """Another MQTT client, of another make, that stays and reconnects by itself."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
    connected = threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.connect("127.0.0.1", port, keepalive=0)
    client.loop_start()
    assert connected.wait(wire.TIMEOUT)
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def noise(make: Callable[[], object]) -> Iterator[None]:
    """Again and again, ten times a second, from beginning to end."""
    over = threading.Event()

    def go_on() -> None:
        while not over.wait(0.1):
            make()

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def report_of(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.read_text()))


def wrong(report: dict[str, Any]) -> dict[str, str]:
    return {one["id"]: one["reason"] for one in report["cases"] if one["verdict"] not in ("pass", "none")}


def test_strangers_that_come_first_and_talk_on_its_topics_break_nothing(site: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.json"
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded", "--json", file)
    with conforming(*arguments, *ONLY) as kit, ExitStack() as crowd:
        for number in range(NOISE):
            name = f"a-client-of-another-make-{number}"
            one = crowd.enter_context(wire.client(kit.port, name, clean=False))
            one.send(wire.subscribe("yw1/#", 0))
        meddler = crowd.enter_context(stranger(kit.port, "meddler"))
        meddler.publish(f"{OWN}/shuttle-status", b"no message", 1, retain=False)
        crowd.enter_context(node("ferry", site, kit.port))
        with noise(lambda: meddler.publish(f"{OWN}/node-status", b'{"boot":1}', 1)):
            code, out, err = kit.ended()
    report = report_of(file)
    assert (code, wrong(report)) == (0, {}), out + err
    assert report["verdict"] == "pass"
    notes = " ".join(report["notes"])
    assert f"{NOISE + 1} other clients came to the tap" in notes
    assert f"'meddler' published on {OWN}/" in notes
    assert "not judged" in out


def test_a_node_that_is_not_there_is_not_another_client_that_is(site: Path) -> None:
    prelude = "import conformance.bench.tap.arrival as w; w.WAIT_S = 4; "
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded")
    with conforming(*arguments, prelude=prelude) as kit, stranger(kit.port, "ear") as subscriber:
        subscriber.subscribe("yw1/harlow-basin/#", 1)
        code, out, err = kit.ended()
    assert code == 2, out + err
    assert "ferry did not connect within 4 s: 1 other client came ('ear')" in err
    assert "Traceback" not in err


def test_another_client_with_the_identifier_of_the_node_ends_the_run(site: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.json"
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded", "--json", file)
    with conforming(*arguments) as kit, node("ferry", site, kit.port):
        time.sleep(2)
        with stranger(kit.port, "ferry"):
            code, out, err = kit.ended()
    assert code == 2, out + err
    said = " ".join(err.split())
    assert re.search(
        r"another client, from 127\.0\.0\.1, port \d+, uses the client identifier of the node, 'ferry'", said
    )
    report = report_of(file)
    assert (report["complete"], report["verdict"]) == (False, "inconclusive")
    assert wrong(report) == {}


def test_two_boards_with_one_name_end_the_run(site: Path) -> None:
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded")
    with conforming(*arguments) as kit, node("ferry", site, kit.port):
        time.sleep(1.5)
        with node("ferry", site, kit.port):
            code, out, err = kit.ended()
    assert code == 2, out + err
    board = r"boot \d+ \(firmware 'reference', from 127\.0\.0\.1, port \d+\)"
    told = f"two nodes use the client identifier 'ferry': {board} came back after {board}"
    assert re.search(told, " ".join(err.split()))


@pytest.mark.parametrize("order", ['{"act":"ask","token":5}', '{"act":"hold"}'])
def test_orders_of_somebody_else_end_the_run(order: str, site: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.json"
    with start_broker("embedded") as broker:
        arguments = ("ferry", "--site", site, "--no-motion", "--broker", broker.url, "--json", file)
        with (
            conforming(*arguments) as kit,
            node("ferry", site, kit.port),
            stranger(broker.port, "other") as other,
        ):
            spoken = threading.Event()
            other.on_message = lambda *_: spoken.set()
            other.subscribe(f"{OWN}/node-status", 1)
            assert spoken.wait(PATIENCE_S)
            other.publish(f"{OWN}/job-order", order, 1)
            code, out, err = kit.ended()
    assert code == 2, out + err
    assert "somebody else ordered" in err
    assert wrong(report_of(file)) == {}


@pytest.mark.parametrize("to", ["ferry", "all"])
def test_a_hold_like_the_kit_s_own_byte_for_byte_ends_the_run(to: str, site: Path, tmp_path: Path) -> None:
    """Behind the kit's own first hold another one comes: it is one more than the kit has sent."""
    file, holds = tmp_path / "report.json", queue.SimpleQueue[tuple[str, bytes]]()

    def heard(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        body = read_message("job-order", bytes(message.payload), closed=True).body or {}
        if body.get("act") == "hold" and message.topic.split("/")[2] == to:
            holds.put((message.topic, bytes(message.payload)))

    with start_broker("mosquitto") as broker:
        arguments = ("ferry", "--site", site, "--no-motion", "--broker", broker.url, "--json", file)
        with (
            conforming(*arguments) as kit,
            node("ferry", site, kit.port),
            stranger(broker.port, "other") as other,
        ):
            other.on_message = heard
            other.subscribe("yw1/harlow-basin/+/job-order", 1)
            other.publish(*holds.get(timeout=PATIENCE_S), 1)
            code, out, err = kit.ended()
    assert code == 2, out + err
    assert "somebody else ordered 'hold'" in err
    assert wrong(report_of(file)) == {}


def test_a_run_that_others_end_leaves_the_machine_held(site: Path) -> None:
    """Watched from outside: the kit's hold is on the bus before it ends."""
    held, spoken = threading.Event(), threading.Event()

    def heard(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("/node-status"):
            spoken.set()
            return
        # Not the node's own word: the tap goes with the kit, and may take the last of those with it.
        body = read_message("job-order", bytes(message.payload), closed=True).body or {}
        if body.get("act") == "hold":
            held.set()

    with start_broker("embedded") as broker:
        arguments = ("ferry", "--site", site, "--yes", "--only", "shuttle-runs", "--broker", broker.url)
        with (
            conforming(*arguments) as kit,
            node("ferry", site, kit.port),
            stranger(broker.port, "other") as other,
        ):
            other.on_message = heard
            other.subscribe([(f"{OWN}/node-status", 1), (f"{OWN}/job-order", 1)])
            assert spoken.wait(PATIENCE_S)
            other.publish(f"{OWN}/job-order", '{"act":"ask","token":5}', 1)
            code, out, err = kit.ended()
            assert held.wait(wire.TIMEOUT), out + err
    assert code == 2, out + err
    assert "somebody else ordered" in err
    assert "ferry is held" in err


def never_acknowledges(seen: LinkPacket) -> bool:
    return seen.from_node and isinstance(seen.packet, Ack) and seen.packet.kind is Kind.PUBACK


def test_a_board_that_never_acknowledges_does_not_pass(site: Path, tmp_path: Path) -> None:
    """The reference node behind a link that loses each of its acknowledgements."""
    file = tmp_path / "report.json"
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded", "--json", file)
    with conforming(*arguments, "--only", "link-acknowledges") as kit, Tap("127.0.0.1", kit.port) as lossy:
        lossy.drop(never_acknowledges)
        with node("ferry", site, lossy.port):
            code, out, err = kit.ended()
    assert code == 1, out + err
    told = {one["id"]: one["verdict"] for one in report_of(file)["cases"]}
    assert told["link-acknowledges"] == "fail"


def test_strangers_do_not_break_a_supervisor(site: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.json"
    arguments = ("yard", "--site", site, "--spawn", "--choice", "embedded", "--slow", "4", "--json", file)
    only = ("--only", "supervisor-connect-size", "--only", "supervisor-messages")
    with conforming(*arguments, *only) as kit, ExitStack() as crowd:
        loud = crowd.enter_context(stranger(kit.port, "x" * 200))
        with noise(lambda: loud.publish("yw1/harlow-basin/north/job-order", b"no order", 1)):
            code, out, err = kit.ended()
    report = report_of(file)
    assert (code, wrong(report)) == (0, {}), out + err
    assert "job-order, a topic of yard: not judged" in " ".join(report["notes"])
