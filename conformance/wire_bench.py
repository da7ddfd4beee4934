"""A bench on the wire: the node comes through the tap to any broker, and what the tap saw is judged."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Self

from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.address import Address
from conformance.bench.tap import Tap, TapPacket
from conformance.testbench import Bench
from protocol.trouble import Trouble
from protocol.wire.evidence import Direction, Fate
from protocol.wire.fail_stop import check
from protocol.wire.mqtt_client import MqttClient

CONNECT_SECONDS = 10.0
FORGET_SECONDS = 2.0
LOOK_SECONDS = 0.5
"""How soon a wait notices that a thread has failed."""


class GivenUp(BaseException):
    """The run is stopped from another thread. No Exception: it is no fault of a case, and ends it."""


class WireBench(Bench):
    """Publishes through the broker as the tester and reads the tap. Entering it connects."""

    kind = "wire"

    def __init__(self, tap: Tap, broker: Address, restart: Callable[[], None] | None = None) -> None:
        """`restart` resets the node as a power failure does, if the user has a way to do that."""
        super().__init__()
        self.tap = tap
        self._broker, self._reset = broker, restart
        self.can_restart = restart is not None
        self._arrived: queue.SimpleQueue[TapPacket | None] = queue.SimpleQueue()
        self._given_up = threading.Event()
        self._client = MqttClient(CallbackAPIVersion.VERSION2, client_id="", clean_session=True)
        tap.on_packet(self._arrived.put)

    def __enter__(self) -> Self:
        if self._broker.user is not None:
            self._client.username_pw_set(self._broker.user, self._broker.password)
        context = self._broker.tls_context()
        if context is not None:
            self._client.tls_set_context(context)
        try:
            self._client.connect(self._broker.host, self._broker.port, keepalive=15)
        except OSError as error:
            raise Trouble(
                f"the broker cannot be reached: {error}", where=self._broker.name, mend="Is it running there?"
            ) from error
        connected = threading.Event()
        self._client.on_connect = lambda _client, _data, _flags, code, _properties: (
            None if code.is_failure else connected.set()
        )
        self._client.on_disconnect = lambda *_: setattr(self, "tester_lost", True)
        self._client.loop_start()
        if not connected.wait(CONNECT_SECONDS):
            self._client.loop_stop()
            raise Trouble(
                "the broker does not let the tester in",
                where=self._broker.name,
                mend="Check user and password",
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def now_ms(self) -> float:
        """Monotonic milliseconds, the tap's clock."""
        return time.monotonic_ns() / 1e6

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish through the broker."""
        self._client.publish(topic, payload, qos, retain)

    def take_off_broker(self, topic: str) -> None:
        """Take what is retained on a topic off the broker (MQTT 3.1.1 section 3.3.1.3), and wait until it is."""
        told = self._client.publish(topic, b"", 1, True)
        with suppress(RuntimeError, ValueError):  # the broker has gone, and its memory with it
            told.wait_for_publish(FORGET_SECONDS)

    def deliver_retained(self, topic: str, payload: bytes) -> None:
        """Send a PUBLISH with the retain flag from the tap: none is left on the broker."""
        name = topic.encode()
        rest = len(name).to_bytes(2, "big") + name + payload
        self.tap.inject(Direction.TO_NODE, b"\x31" + _length(len(rest)) + rest)

    def wait(self, happened: Callable[[], bool], within_ms: float) -> bool:
        """Read what the tap has seen until `happened` or time is up."""
        end = time.monotonic() + within_ms / 1000
        while True:
            if self._given_up.is_set():
                raise GivenUp
            check()
            self._client.raise_failure()
            self._drain()
            if happened():
                return True
            left = end - time.monotonic()
            if left <= 0:
                return False
            try:
                self._take(self._arrived.get(timeout=min(left, LOOK_SECONDS)))
            except queue.Empty:
                continue

    def give_up(self) -> None:
        """End every wait of another thread, those to come too, with `GivenUp`; from any thread."""
        self._given_up.set()
        self._arrived.put(None)

    def cut(self) -> None:
        """Reset the node's connection on both sides."""
        self.tap.cut()

    def forget(self, keep: int) -> None:
        """Drop what the tap has seen too."""
        super().forget(keep)
        self.tap.forget(keep)

    def restart(self) -> None:
        """Reset the node the way the user gave."""
        if self._reset is None:
            raise NotImplementedError
        self._reset()

    def _drain(self) -> None:
        while not self._arrived.empty():
            self._take(self._arrived.get())

    def _take(self, seen: TapPacket | None) -> None:
        if seen is None or self._given_up.is_set():
            raise GivenUp
        if seen.fate is Fate.DROPPED:
            return
        self.log.add(
            connection=seen.connection,
            at_ms=seen.at_us / 1000,
            from_node=seen.from_node,
            size=len(seen.raw),
            packet=seen.packet,
        )


def _length(value: int) -> bytes:
    """The remaining length of MQTT 3.1.1 section 2.2.3."""
    digits = bytearray()
    while True:
        value, low = divmod(value, 128)
        digits.append(low | (0x80 if value else 0))
        if not value:
            return bytes(digits)
