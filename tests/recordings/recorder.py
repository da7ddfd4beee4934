"""`yardwire record` as a user runs it, and somebody who publishes."""

from __future__ import annotations

import secrets
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker
from protocol.recording import Item, NotARecording, RecordedMessage, RecordingReader

WITHIN_S = 20.0
ROOT = "yw1/harlow-basin"


@contextmanager
def publisher(broker: Broker) -> Iterator[Client]:
    """A connected client."""
    client = Client(CallbackAPIVersion.VERSION2, f"pub-{secrets.token_hex(4)}")
    up = Event()
    client.on_connect = lambda *_: up.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert up.wait(WITHIN_S)
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def record(broker: Broker, path: Path, *options: str, limit_kb: int | None = None) -> subprocess.Popen[str]:
    """Start it; `limit_kb` is the largest file that it may write, so that the disk is full for it."""
    command = [
        sys.executable, "-m", "conformance.commands.main", "record", str(path), "--site", "harlow-basin",
        "--broker", broker.url, *options,
    ]  # fmt: skip
    if limit_kb is not None:
        command = ["bash", "-c", f'ulimit -f {limit_kb}; exec "$@"', "bash", *command]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def wait_until_heard(client: Client, path: Path, topic: str = f"{ROOT}/probe/x") -> None:
    """Publish until the recorder has flushed something: from then on it hears everything."""
    pause = Event()
    for _ in range(int(WITHIN_S / 0.1)):
        client.publish(topic, b"probe")
        pause.wait(0.1)
        with suppress(FileNotFoundError, NotARecording):  # Its beginning is not flushed yet.
            if any(isinstance(item, RecordedMessage) for item in read(path)[1]):
                return
    raise AssertionError("the recorder hears nothing")


def read(path: Path) -> tuple[RecordingReader, list[Item]]:
    """Everything in a plain recording."""
    with path.open("rb") as file:
        reader = RecordingReader(file)
        return reader, list(reader)


def messages(path: Path) -> list[RecordedMessage]:
    """The messages without the probes."""
    items = read(path)[1]
    return [item for item in items if isinstance(item, RecordedMessage) and item.payload != b"probe"]
