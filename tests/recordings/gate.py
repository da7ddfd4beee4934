"""`yardwire replay` as a user runs it, real nodes on the broker, and a witness who hears what was really published."""

from __future__ import annotations

import os
import pty
import random
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Condition
from time import monotonic
from typing import Any

from paho.mqtt.client import MQTTMessage

from conformance.bench.brokers.broker import Broker
from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.recording import Header, RecordedMessage, RecordingWriter
from protocol.site import Encoding
from protocol.site_file import scenario
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import MqttHost
from reference_node.machines.world import World
from reference_node.node import node_on_the_wire
from tests.commands.yardwire import YARDWIRE
from tests.recordings.recorder import ROOT, WITHIN_S, publisher

BOOT = 310
HOME: dict[str, Any] = {"act": "home", "boot": BOOT, "id": 1113601, "deadline": 31000}
READER = BulkReader()


def order(body: dict[str, Any], node: str = "north", at_ms: int = 0) -> RecordedMessage:
    payload = encode("job-order", body, Encoding.CBOR)
    return RecordedMessage(at_ms * 1000, f"{ROOT}/{node}/job-order", payload, 1, False, False)


def recording(path: Path, *items: RecordedMessage) -> Path:
    with path.open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "test", "test"))
        for item in items:
            writer.message(item)
        writer.end(items[-1].at_us)
    return path


def homes_of(number: int, every_ms: int = 10) -> list[RecordedMessage]:
    return [order(HOME | {"id": HOME["id"] + n}, at_ms=n * every_ms) for n in range(number)]


def homes(path: Path, every_ms: int = 100, number: int = 200) -> Path:
    """Many orders, so that there is time to stop between two of them."""
    return recording(path, *homes_of(number, every_ms))


def node(broker: Broker, name: str = "north", *, bench: bool) -> MqttHost:
    """A reference node over a simulated machine, to be entered."""
    site = scenario()
    endpoint = Endpoint(broker.host, broker.port)
    rng = random.Random(1)
    return node_on_the_wire(
        site, name, endpoint, boot=BOOT, bench=bench, world=World(site, alone=True), rng=rng
    )


class Witness:
    """Another client that hears the whole site."""

    def __init__(self) -> None:
        self.heard: list[tuple[float, str, bytes]] = []
        self._changed = Condition()

    def hear(self, _client: object, _data: object, message: MQTTMessage) -> None:
        with self._changed:
            if not message.retain:
                self.heard.append((monotonic(), message.topic, bytes(message.payload)))
            self._changed.notify_all()

    @property
    def _acts(self) -> list[str]:
        said = [(topic, payload) for _, topic, payload in self.heard if topic.endswith("/job-order")]
        return [str((READER.decode(topic, payload) or {}).get("act")) for topic, payload in said]

    @property
    def orders(self) -> list[str]:
        """Acts of all orders but asks, which move nothing."""
        return [act for act in self._acts if act != "ask"]

    @property
    def asks(self) -> int:
        """How often it was asked who is there."""
        return self._acts.count("ask")

    def wait_until(self, holds: Callable[[], bool]) -> None:
        """Wait until something holds of what was heard."""
        with self._changed:
            assert self._changed.wait_for(holds, WITHIN_S)

    def wait_for_orders(self, number: int) -> None:
        self.wait_until(lambda: len(self.orders) >= number)


@contextmanager
def witness(broker: Broker) -> Iterator[Witness]:
    from threading import Event

    seen, ready = Witness(), Event()
    with publisher(broker) as client:
        client.on_message = seen.hear
        client.on_subscribe = lambda *_: ready.set()
        client.subscribe(f"{ROOT}/#", 1)
        assert ready.wait(WITHIN_S)
        yield seen


def retained(broker: Broker, topic: str, payload: bytes) -> None:
    with publisher(broker) as client:
        client.publish(f"{ROOT}/{topic}", payload, 1, retain=True).wait_for_publish(WITHIN_S)


def command(path: Path, broker: Broker | str, *options: str, program: str = YARDWIRE) -> list[str]:
    url = broker if isinstance(broker, str) else broker.url
    return [sys.executable, "-c", program, "replay", str(path), "--broker", url, *options]


def replayed(
    path: Path, broker: Broker | str, *options: str, program: str = YARDWIRE
) -> subprocess.CompletedProcess[str]:
    """Run it to its end, where nobody is to be asked."""
    return subprocess.run(
        command(path, broker, *options, program=program), stdin=subprocess.DEVNULL, capture_output=True, text=True,
        timeout=WITHIN_S * 3, check=False,
    )  # fmt: skip


@contextmanager
def replaying(path: Path, broker: Broker | str, *options: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        command(path, broker, *options), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            process.kill()


def at_a_terminal(words: Sequence[str], answer: str) -> tuple[int, str]:
    """Run a command at a terminal and answer its question; gives the exit code and all that it says."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True) as process:
        os.close(theirs)
        said = b""
        try:
            while b"[y/N]" not in said:
                said += os.read(ours, 4096)
            os.write(ours, answer.encode() + b"\n")
            while True:
                said += os.read(ours, 4096)
        except OSError:
            pass  # The other end has closed its side.
        finally:
            os.close(ours)
        return process.wait(WITHIN_S), said.decode()
