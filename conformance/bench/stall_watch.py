"""Measures when the test machine stands still: a timer of the tap's own, a packet of the kit's own, a node that waits.

The timer runs on the tap's thread, which takes the times of all evidence. The packet goes round through the tap and the
broker, as those of the node do; it is no evidence, and the tap knows it by its client identifier. A node that is a
program on the same machine may be kept waiting for a processor; the kernel tells for how long.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from secrets import token_hex
from statistics import median

from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.connection.address import Address
from conformance.bench.node_wait import NodeWait
from conformance.bench.tap.tap import Tap
from conformance.suite.stalls import NOTICED_MS, Stall, Stalls
from protocol.wire.mqtt_client import MqttClient

TICK_S = 0.02
ROUND_S = 0.2
"""How often a packet is sent round, where the one before has come back."""
USUAL = 25
"""Rounds of which the median is what the path usually takes."""
SLOW_PATH = 4
"""A round is late where it takes so many times the usual, and NOTICED_MS more."""
OWN_ID = "yardwire-round-"


def now_ms() -> float:
    """Monotonic milliseconds, the tap's clock."""
    return time.monotonic_ns() / 1e6


class StallWatch:
    """All three measurements over one tap, entered into `stalls` as they are noticed."""

    def __init__(self, tap: Tap, broker: Address, stalls: Stalls) -> None:
        self._tap, self._stalls = tap, stalls
        self._node = NodeWait(tap, stalls, now_ms)
        self._round: PacketRound | None = None
        self._beside: list[Callable[[], None]] = []
        """What ends each of the two that run on the tap's thread."""
        self._broker = broker

    def start(self) -> None:
        """Begin to measure. Does nothing the second time."""
        if self._beside:
            return
        why_not = self._why_no_round()
        self._stalls.path = why_not or "a packet of the kit's own through tap and broker"
        if not why_not:
            self._round = PacketRound(self._tap, self._stalls)
        self._stalls.pending = self._pending
        self._beside = [self._tap.run_beside(self._tick), self._tap.run_beside(self._node.follow)]

    def stop(self) -> None:
        """End all."""
        for end in self._beside:
            end()
        if self._round is not None:
            self._round.stop()

    def _pending(self) -> tuple[Stall, ...]:
        lasting = (self._node.pending(), None if self._round is None else self._round.pending())
        return tuple(one for one in lasting if one is not None)

    def _why_no_round(self) -> str:
        if self._tap.signature is None:
            return "not measured: the tap takes everybody for the node"
        if self._broker.user is not None:
            return "not measured: a second connection of one user may throw off the first"
        return ""

    async def _tick(self) -> None:
        last = now_ms()
        while True:
            await asyncio.sleep(TICK_S)
            now = now_ms()
            if now - last - 1000 * TICK_S >= NOTICED_MS:
                self._stalls.add(Stall(last, now, "timer"))
            last = now
            if self._round is not None:
                self._round.send_if_due(now)


class PacketRound:
    """One small packet after the other, out through the tap and back."""

    def __init__(self, tap: Tap, stalls: Stalls) -> None:
        self._tap, self._stalls = tap, stalls
        name = OWN_ID + token_hex(3)
        self._topic = f"yardwire/round/{name}"
        tap.expect(name)
        self._took: deque[float] = deque(maxlen=USUAL)
        self._out: tuple[int, float] | None = None
        """Number of the packet that is out, and when it was sent."""
        self._number = 0
        self._next_ms = 0.0
        self._lock = threading.Lock()
        self._ready = False
        self._client = MqttClient(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: setattr(self, "_ready", True)
        self._client.on_disconnect = self._lost
        self._client.on_message = lambda _client, _data, message: self._back(bytes(message.payload))
        self._client.connect_async(tap.host, tap.port, keepalive=15)
        self._client.loop_start()

    def _connected(self, *_: object) -> None:
        self._client.subscribe(self._topic, 0)

    def send_if_due(self, now: float) -> None:
        """Send the next, if the one before has come back and it is time."""
        with self._lock:
            if not self._ready or self._out is not None or now < self._next_ms:
                return
            self._number += 1
            self._out, self._next_ms = (self._number, now), now + 1000 * ROUND_S
            number = self._number
        # The broker may refuse the topic, and the connection be gone: then nothing is measured, and nothing excused.
        with suppress(RuntimeError, ValueError):
            self._client.publish(self._topic, str(number).encode(), 0)

    def pending(self) -> Stall | None:
        """The stall that lasts: the packet that is out is late. None before the first has come back."""
        with self._lock:
            out, late = self._out, self._late_ms()
        now = now_ms()
        if out is None or late is None or now - out[1] < late or self._tap.is_impeded:
            return None
        return Stall(out[1], now, "path")

    def stop(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def _late_ms(self) -> float | None:
        return SLOW_PATH * median(self._took) + NOTICED_MS if self._took else None

    def _back(self, payload: bytes) -> None:
        now = now_ms()
        with self._lock:
            if self._out is None or payload != str(self._out[0]).encode():
                return
            sent, late = self._out[1], self._late_ms()
            self._out = None
            if self._tap.is_impeded:
                return
            if late is not None and now - sent >= late:
                self._stalls.add(Stall(sent, now, "path"))
            else:
                self._took.append(now - sent)

    def _lost(self, *_: object) -> None:
        """The connection has gone, with what was out on it."""
        with self._lock:
            self._ready, self._out = False, None
