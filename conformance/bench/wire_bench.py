"""A bench on the wire: the node comes through the tap to any broker, and what the tap saw is judged."""

from __future__ import annotations

import queue
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from random import SystemRandom
from typing import Self

from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from conformance.bench.connection.address import Address
from conformance.bench.second_board import SecondBoard
from conformance.bench.stall_watch import StallWatch
from conformance.bench.tap.tap import Tap
from conformance.suite.bench import Bench, CannotJudge
from conformance.suite.stalls import Stall
from conformance.suite.verdict import Unclear
from protocol.trouble import Trouble
from protocol.validation import read_publication
from protocol.wire.connect_trouble import trouble_of
from protocol.wire.evidence import Direction, Fate, LinkPacket
from protocol.wire.fail_stop import check
from protocol.wire.mqtt_client import MqttClient
from protocol.wire.packet import Publish
from protocol.wire.refusals import refused

CONNECT_SECONDS = 10.0
FORGET_SECONDS = 2.0
LOOK_SECONDS = 0.5
"""How soon a wait notices that a thread has failed."""
PORT_AWAY_S = 5.0
"""How long a serial port may be away before nothing can be said of the board behind it."""


class GivenUp(BaseException):
    """The run is stopped from another thread. No Exception: it is no fault of a case, and ends it."""


class WireBench(Bench):
    """Publishes through the broker as the tester and reads the tap. Entering it connects."""

    chance = SystemRandom()
    kind = "wire"
    judges_orders = True
    """Whether the node under test is one that takes orders."""

    def __init__(
        self,
        tap: Tap,
        broker: Address,
        restart: Callable[[], None] | None = None,
        *,
        ended: Callable[[], str] = str,
    ) -> None:
        """`restart` resets the node as a power failure does, if the user has a way to do that; `ended` says how a
        program that the kit has started for it has ended by itself.
        """
        super().__init__()
        self.tap = tap
        self._has_ended = ended
        signature = tap.signature
        self._watch = StallWatch(tap, broker, self.stalls)
        self._second = SecondBoard(signature) if signature and not signature.supervisor else None
        self.line = tap.line
        self._broker, self._reset = broker, restart
        self.can_restart = restart is not None
        self._arrived: queue.SimpleQueue[LinkPacket | None] = queue.SimpleQueue()
        self._given_up = threading.Event()
        self._client = MqttClient(CallbackAPIVersion.VERSION2, client_id="", clean_session=True)
        self._sent: Counter[int] = Counter()
        """How often the kit has sent each order: any other order to the node is somebody else's, and so is a hold that
        comes more often, for nothing that the kit sends may end that."""
        self._came: Counter[int] = Counter()
        """How often each of them has come to the node, for the first time each."""
        self._copies = 1
        """How many of one order the broker gives to a node whose subscriptions overlap [MQTT-3.3.5-1]."""
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
            raise trouble_of(self._broker.endpoint(), error) from None
        codes: queue.SimpleQueue[ReasonCode] = queue.SimpleQueue()
        self._client.on_connect = lambda _client, _data, _flags, code, _properties: codes.put(code)
        self._client.on_disconnect = lambda *_: setattr(self, "tester_lost", True)
        self._client.loop_start()
        try:
            code = codes.get(timeout=CONNECT_SECONDS)
        except queue.Empty:
            self._client.loop_stop()
            fix = "Check that an MQTT broker listens there"
            raise Trouble("the broker does not answer", where=self._broker.name, fix=fix) from None
        if code.is_failure:
            self._client.loop_stop()
            raise refused(self._broker.endpoint(), code.value)
        if self._second is not None:
            second = self._second
            self._client.on_message = lambda _client, _data, one: second.heard(one.payload, retain=one.retain)
            self._client.subscribe(second.topic, 0)
        return self

    def __exit__(self, *_: object) -> None:
        self._watch.stop()
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def now_ms(self) -> float:
        """Monotonic milliseconds, the tap's clock."""
        return time.monotonic_ns() / 1e6

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish through the broker."""
        self._sent[hash((topic, payload))] += 1
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
        self._sent[hash((topic, payload))] += 1
        try:
            self.tap.inject(Direction.TO_NODE, b"\x31" + _length(len(rest)) + rest)
        except Trouble as gone:
            raise Unclear(str(gone)) from gone

    def wait(self, happened: Callable[[], bool], within_ms: float) -> bool:
        """Read what the tap has seen until `happened` or time is up.

        Raises CannotJudge where what passes is not the node's doing alone.
        """
        self._watch.start()
        end = time.monotonic() + within_ms / 1000
        while True:
            if self._given_up.is_set():
                raise GivenUp
            check()
            self._client.raise_failure()
            self._drain()
            self._require_alone()
            self._require_port()
            if happened():
                return True
            left = end - time.monotonic()
            if left <= 0:
                return False
            look = min(left, LOOK_SECONDS)
            due = self.now_ms + 1000 * look
            try:
                self._take(self._arrived.get(timeout=look))
            except queue.Empty:
                self.stalls.add(Stall(due, self.now_ms, "timer"))  # none, unless it wakes late

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
        if self.line is not None:
            self.line.log.forget(keep)

    def restart(self) -> None:
        """Reset the node the way the user gave."""
        if self._reset is None:
            raise NotImplementedError
        self._reset()

    def ended(self) -> str:
        """How the program of the node has ended, where the kit has started it."""
        return self._has_ended()

    def absence(self) -> str:
        """Who has closed the node's connection, and how long ago, where it has not come again."""
        last = self.tap.newest_connection()
        if last is None or last.closed_us is None or last.closed_by is None:
            return ""
        gone_s = self.now_ms / 1000 - last.closed_us / 1e6
        return f"the node is not connected: {last.closed_by.value} ended its connection {gone_s:.0f} s ago"

    def _require_alone(self) -> None:
        if self.tap.conflict:
            raise CannotJudge(
                self.tap.conflict, fix="Give every client an identifier of its own, and run it again"
            )
        if self._second is not None and (other := self._second.conflict()):
            raise CannotJudge(other, fix="Switch one of them off, or give it a name of its own")
        if ended := self.ended():
            raise CannotJudge(ended, fix="Start it by hand to see what it says, and run it again")

    def _require_port(self) -> None:
        """A board whose port is not there says nothing, and that is no fault of its own.

        One with USB of its own takes its port away while it restarts: that long it may be away.
        """
        if self.line is None or not self.line.trouble:
            return
        end = time.monotonic() + PORT_AWAY_S
        while self.line.trouble:
            if self._given_up.is_set():
                raise GivenUp
            if time.monotonic() >= end:
                raise CannotJudge(
                    f"the serial port is not there: {self.line.trouble}",
                    where=self.line.port,
                    fix="Plug it in again ('yardwire link --list' names the ports that are there), and run it again",
                )
            time.sleep(LOOK_SECONDS)

    def _require_ours(self, order: Publish) -> None:
        """An order that is not the kit's changes mark, job and machine behind the back of every case."""
        if order.retain or not order.topic.endswith("/job-order"):
            return
        key = hash((order.topic, order.payload))
        self._came[key] += not order.dup
        if self._came[key] <= self._sent[key] * self._copies:
            return
        read = read_publication(order.topic, order.payload, retain=None, qos=None, closed=False)
        act = (read.body or {}).get("act", "what nobody can read")
        if self._sent[key] and act != "hold":
            self._copies = -(-self._came[key] // self._sent[key])
            return
        fix = "Stop every other supervisor on this bus, or leave out --broker: the kit starts one of its own"
        if act == "hold":
            fix = f"Find out who held it, and why, before you run it again. {fix}"
        raise CannotJudge(
            f"somebody else ordered {act!r} while the kit was judging", where=order.topic, fix=fix
        )

    def _drain(self) -> None:
        while not self._arrived.empty():
            self._take(self._arrived.get())

    def _take(self, seen: LinkPacket | None) -> None:
        if seen is None or self._given_up.is_set():
            raise GivenUp
        if seen.fate is Fate.DROPPED:
            return
        if isinstance(seen.packet, Publish) and not seen.from_node and self.judges_orders:
            self._require_ours(seen.packet)
        self.log.add(
            connection=seen.connection,
            at_ms=seen.at_us / 1000,
            from_node=seen.from_node,
            size=len(seen.raw),
            packet=seen.packet,
        )
        if seen.from_node and self._second is not None and isinstance(seen.packet, Publish):
            self._second.said(self.log.messages[-1].body.get("boot"))


def _length(value: int) -> bytes:
    """The remaining length of MQTT 3.1.1 section 2.2.3."""
    digits = bytearray()
    while True:
        value, low = divmod(value, 128)
        digits.append(low | (0x80 if value else 0))
        if not value:
            return bytes(digits)
