"""A run that is stopped while a machine moves leaves it held: seen on the bus, by another client."""

from __future__ import annotations

import os
import queue
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker
from protocol.topics import parse_topic
from protocol.validation import read_message
from tests.stopping.processes import PATIENCE_S, Running, started

Heard = queue.SimpleQueue[tuple[str, dict[str, Any]]]


def listener(broker: Broker, heard: Heard) -> Client:
    """Hears what is said under the site's root, read."""

    def take(_client: Client, _data: object, message: MQTTMessage) -> None:
        name = parse_topic(message.topic).message
        body = read_message(name, bytes(message.payload), closed=False).body
        if body is not None:
            heard.put((name, body))

    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = take
    client.connect(broker.host, broker.port)
    client.subscribe("yw1/harlow-basin/ferry/#", 1)
    client.loop_start()
    return client


def to_its_last_word(heard: Heard) -> list[tuple[str, dict[str, Any]]]:
    """All that is heard until the node is said to be gone: nothing of it comes after that."""
    end = time.monotonic() + PATIENCE_S
    found = [heard.get(timeout=PATIENCE_S)]
    while found[-1][0] != "node-status" or found[-1][1]["state"] != "off":
        found.append(heard.get(timeout=max(0.0, end - time.monotonic())))
    return found


@pytest.mark.parametrize("command", ["conform", "fuzz"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP])
def test_the_last_order_is_a_hold_and_it_is_obeyed(
    command: str, number: signal.Signals, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    heard: Heard = queue.SimpleQueue()
    client = listener(broker, heard)
    words = (command, "ferry", "--site", site, "--spawn", "--yes", "--broker", broker.url)
    try:
        with started(mark, *words, cwd=tmp_path) as running:
            end = time.monotonic() + PATIENCE_S
            moves = False
            while not moves:
                name, body = heard.get(timeout=max(0.0, end - time.monotonic()))
                moves = name == "job-report" and body["state"] == "running"
            said = running.stopped_by(number)
        after = to_its_last_word(heard)
    finally:
        client.disconnect()
        client.loop_stop()
    orders = [place for place, (name, _) in enumerate(after) if name == "job-order"]
    assert after[orders[-1]][1]["act"] == "hold"
    states = [body["held"] for name, body in after[orders[-1] :] if name == "shuttle-status"]
    assert states, said
    assert states[-1] is True
    assert "ferry is held" in said


def test_a_run_that_moves_nothing_holds_nothing(mark: str, tmp_path: Path, site: str, broker: Broker) -> None:
    heard: Heard = queue.SimpleQueue()
    client = listener(broker, heard)
    words = ("conform", "ferry", "--site", site, "--spawn", "--yes", "--no-motion", "--broker", broker.url)
    try:
        with started(mark, *words, cwd=tmp_path) as running:
            end = time.monotonic() + PATIENCE_S
            while heard.get(timeout=max(0.0, end - time.monotonic()))[0] != "job-report":
                pass
            said = running.stopped_by(signal.SIGINT)
    finally:
        client.disconnect()
        client.loop_stop()
    assert "hold" not in said


EMPTY = ("-", "- -", "- - - -")


def type_in(running: Running, text: bytes) -> None:
    assert running.terminal is not None
    os.write(running.terminal, text)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_supervisor_holds_what_is_at_work(
    number: signal.Signals, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    """Seen on the bus: the shuttle is on its way when the supervisor is told to end; it stands still then."""
    heard: Heard = queue.SimpleQueue()
    client = listener(broker, heard)
    nodes = ("node", "--all", "--site", site, "--broker", broker.url)
    words = ("supervise", "--site", site, "--yes", "--broker", broker.url)
    try:
        with (
            started(f"{mark}.nodes", *nodes, cwd=tmp_path),
            started(mark, *words, on_terminal=True, cwd=tmp_path) as running,
        ):
            end = time.monotonic() + PATIENCE_S
            moves = False
            while not moves:
                name, body = heard.get(timeout=max(0.0, end - time.monotonic()))
                if name == "shuttle-status":
                    answers = (
                        f"answer {n} {said}" for n in range(1, 9) for said in ("quay-n", "yes", *EMPTY)
                    )
                    type_in(running, "\n".join(("questions", *answers, "run ferry quay-s", "")).encode())
                moves = name == "job-report" and body["act"] == "run" and body["state"] == "running"
            said = running.stopped_by(number)
            time.sleep(0.2)
    finally:
        client.disconnect()
        client.loop_stop()
    after = []
    while not heard.empty():
        after.append(heard.get())
    orders = [place for place, (name, _) in enumerate(after) if name == "job-order"]
    assert after[orders[-1]][1]["act"] == "hold", said
    assert "ferry is held in the middle of its job" in said
