"""A broker that is killed and comes back on its port, and another client that hears what was really published."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic, sleep

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.mosquitto import Mosquitto, find_mosquitto
from conformance.bench.connection.address import Address
from reference_node.supervisor.questions.question import Ask, Question
from tests.supervisor.terminal import read

PATIENCE_S = 30.0
ORDERS = "yw1/harlow-basin/+/job-order"


def answered(question: Question) -> None:
    """A person who knows where the shuttle stands and that the track is empty, and lifts no hold by an answer."""
    if question.about is Ask.SHUTTLE:
        question.answer("quay-n")
    elif question.about is Ask.TRACK:
        question.answer()


class MortalBroker:
    """A real mosquitto. `kill` gives it no chance to say goodbye."""

    def __init__(self) -> None:
        program = find_mosquitto()
        assert program is not None
        self._program = program
        self._running: Mosquitto | None = Mosquitto(program).__enter__()
        self.name, self.host, self.port = "mosquitto", self._running.host, self._running.port

    @property
    def address(self) -> Address:
        return Address(self.host, self.port)

    @property
    def url(self) -> str:
        return self.address.url

    def kill(self) -> None:
        assert self._running is not None
        assert self._running.process_id is not None
        os.kill(self._running.process_id, signal.SIGKILL)
        self.end()

    def revive(self) -> None:
        self._running = Mosquitto(self._program, self.host, self.port).__enter__()

    def end(self) -> None:
        if self._running is not None:
            self._running.__exit__(None, None, None)
            self._running = None


@contextmanager
def mortal_broker() -> Iterator[MortalBroker]:
    broker = MortalBroker()
    try:
        yield broker
    finally:
        broker.end()


class Subscriber:
    """A client of its own, by paho-mqtt alone, that hears every order on the bus and knows nothing of the desk."""

    def __init__(self, port: int) -> None:
        self._heard: list[tuple[str, str]] = []
        self._lock = threading.Lock()
        self._listens = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="ear")
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._subscribe
        self._client.on_subscribe = lambda *_: self._listens.set()
        self._client.on_disconnect = lambda *_: self._listens.clear()
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.listens()

    def _subscribe(self, client: Client, *_: object) -> None:
        client.subscribe(ORDERS, 1)

    def _hear(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        body = read(message.topic, bytes(message.payload))
        with self._lock:
            self._heard.append((message.topic.split("/")[2], body["act"] if body else "?"))

    def listens(self) -> None:
        """Wait until it hears the bus (again)."""
        assert self._listens.wait(PATIENCE_S)

    def heard(self) -> list[tuple[str, str]]:
        """Node and act of every order since the last call, asks and claims left out."""
        with self._lock:
            heard, self._heard = self._heard, []
        return [one for one in heard if one[1] not in ("ask", "claim")]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def subscriber_at(port: int) -> Iterator[Subscriber]:
    subscriber = Subscriber(port)
    try:
        yield subscriber
    finally:
        subscriber.close()


def until(what: Callable[[], object], within_s: float = PATIENCE_S) -> None:
    """Wait until `what` is so."""
    end = monotonic() + within_s
    while not what():
        assert monotonic() < end, f"not within {within_s} s"
        sleep(0.02)
