"""The link between node and broker, and what may befall it; on virtual time and on the wire."""

from __future__ import annotations

import contextlib
from abc import ABC, abstractmethod
from collections.abc import Callable
from random import Random
from typing import Any

from conformance.bench.mqtt.framing import packet as framed
from conformance.bench.mqtt.framing import string
from conformance.bench.serial.damage import BadLine
from conformance.bench.tap.rules import Rule
from conformance.bench.tap.tap import Tap
from conformance.bench.virtual_bench import RETAINED, VirtualBench
from conformance.bench.wire_bench import WireBench
from conformance.suite.bench import Bench
from protocol.participant import Publication
from protocol.specification import specification
from protocol.trouble import Trouble
from protocol.wire.evidence import Direction, LinkPacket
from protocol.wire.packet import Kind, Publish
from protocol.wire.serial.paced_queue import BITS

FAULTS = {
    "cut": "the connection is cut",
    "half-open": "nothing passes, and nobody is told",
    "deaf": "acknowledgements are lost, then the connection",
    "slow": "the link is slow",
    "throttle": "bytes come one at a time",
    "again": "orders are delivered again",
    "overtake": "what is for all is overtaken",
    "broker-restart": "the broker is away",
}
"""Every fault of a link, as a case says it."""
LINE_FAULTS = {
    "flipped": "bits flip on the line, then it is silent",
    "gaps": "bytes are lost and added on the line, then it is silent",
    "noise": "noise gets between the bytes of the line, then it is silent",
    "cut-frames": "frames break off, then the line is silent",
    "wrong-rate": "the line has the wrong rate",
}
"""Those of a serial line. What was on its way is lost then, and the connection with it: as TCP loses, too."""
_BAD: dict[str, dict[str, Any]] = {
    "flipped": {"flip": 0.01},
    "gaps": {"lose": 0.005, "insert": 0.005},
    "noise": {"noise": 0.005},
    "cut-frames": {"cut": 0.01},
    "wrong-rate": {"wrong_rate": True},
}

SLOW_MS = 150
GAP_MS = 2
PUBLISH_AGAIN = 0x3A
"""Packet type 3 with DUP and QoS 1 (MQTT 3.1.1 section 3.3.1)."""
HEADERS = 8
"""About what a PUBLISH takes beside topic and payload, in bytes."""

LINE_QUIET_BYTES, LINE_QUIET_MS, LINE_LOOKS = 90, 5, 60
"""A line is quiet when for so long no frame has ended: longer than one state message takes, and the node's loop."""

Deliveries = list[tuple[int, Publication]] | None


class Link(ABC):
    """Disturbs one node's link. A disturbance goes on while orders are sent, until `calm`."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._until_ms = 0.0
        self._endings: list[Callable[[], None]] = []
        self._bad_lines = 0

    @property
    def faults(self) -> dict[str, str]:
        """The faults that this link can have, as a case says them."""
        return FAULTS if self.bench.line is None else FAULTS | LINE_FAULTS

    def pass_ms(self, ms: float) -> None:
        """Let time pass."""
        self.bench.wait(lambda: False, ms)

    def until_carried(self) -> None:
        """On a serial line: wait until orders and answers that wait for it have passed, or it is at work for too long.

        Of an order that still waits the node knows nothing, and what it answers may wait behind seconds of states.
        """
        line = self.bench.line
        if line is None:
            return
        quiet_ms = LINE_QUIET_BYTES * BITS * 1000 / line.rate + LINE_QUIET_MS
        for _ in range(LINE_LOOKS):
            seen = line.log.end
            self.pass_ms(quiet_ms)
            if line.log.end == seen:
                return

    def disturb(self, fault: str, ms: int) -> None:
        """Begin one of FAULTS, for `ms` or longer. Raises KeyError."""
        begin: dict[str, Callable[[int], None]] = {
            "cut": lambda ms: self.cut(),
            "half-open": self.half_open,
            "deaf": self.deaf,
            "slow": self.slow,
            "throttle": self.throttle,
            "again": self.again,
            "overtake": self.overtake,
            "broker-restart": self.broker_restart,
        }
        self._until_ms = max(self._until_ms, self.bench.now_ms + ms)
        if fault in _BAD:
            self.bad_line(fault)
        else:
            begin[fault](ms)

    def bad_line(self, fault: str) -> None:
        """Damage what reaches the node, and all that it says; the connection is lost at the end. Nothing without one.

        Of what the node says nothing comes through: a part of it would be a gap in its counts that is not its own.
        """
        line = self.bench.line
        if line is None:
            return
        self._bad_lines += 1
        line.down = BadLine(Random(self._bad_lines), **_BAD[fault])
        line.up = BadLine(Random(-self._bad_lines), wrong_rate=True)

        def end() -> None:
            line.up = line.down = bytes
            self.cut()

        self._endings.append(end)

    def calm(self) -> None:
        """Wait until all disturbances have had their time, and end them."""
        if self._endings:
            self.pass_ms(max(0.0, self._until_ms - self.bench.now_ms))
        while self._endings:
            self._endings.pop()()

    @abstractmethod
    def cut(self) -> None:
        """Break the connection so that both ends see it."""

    @abstractmethod
    def half_open(self, ms: int) -> None:
        """Hold up every byte both ways; they arrive afterwards, unless an end has given up."""

    @abstractmethod
    def deaf(self, ms: int) -> None:
        """Lose every acknowledgement to the node, and then the connection: TCP loses nothing less."""

    @abstractmethod
    def slow(self, ms: int) -> None:
        """Put latency on the link."""

    @abstractmethod
    def throttle(self, ms: int) -> None:
        """Let the bytes to the node through one at a time."""

    @abstractmethod
    def again(self, ms: int) -> None:
        """Deliver a second time what comes in this time, as MQTT may at QoS 1."""

    @abstractmethod
    def overtake(self, ms: int) -> None:
        """Hold up what is for all, so that later orders to the node alone arrive before it."""

    @abstractmethod
    def broker_restart(self, ms: int) -> None:
        """Break the connection and refuse new ones until the broker is there again."""


class VirtualLink(Link):
    """The link of a virtual bus. It carries whole packets, so a byte at a time is a delay by length."""

    def __init__(self, bench: VirtualBench, name: str) -> None:
        super().__init__(bench)
        self._bus, self._name = bench.bus, name

    def cut(self) -> None:
        """Where there is a connection."""
        if self._bus.is_up(self._name):
            self._bus.sever(self._name)

    def half_open(self, ms: int) -> None:
        """The bus ends it by itself."""
        self._bus.cut(self._name, ms)
        self._endings.append(lambda: None)

    def deaf(self, ms: int) -> None:
        """Nothing at all arrives: participants of the bus see no acknowledgements."""
        self._bus.cut(self._name, ms)
        self._endings.append(self.cut)

    def slow(self, ms: int) -> None:
        """Deliveries come late, in their order."""
        self._deliver(lambda publication: [(SLOW_MS, publication)])

    def throttle(self, ms: int) -> None:
        """Each delivery takes the time of its bytes, and waits for the one before."""
        free_ms = self.bench.now_ms

        def by_length(publication: Publication) -> Deliveries:
            nonlocal free_ms
            length = len(publication.topic) + len(publication.payload) + HEADERS
            free_ms = max(free_ms, self.bench.now_ms) + min(length * GAP_MS, ms)
            self._until_ms = max(self._until_ms, free_ms)
            return [(round(free_ms - self.bench.now_ms), publication)]

        self._deliver(by_length)

    def again(self, ms: int) -> None:
        """The second time comes when the disturbance is nearly over."""
        self._deliver(lambda one: [(1, one), (ms // 2 + 1, one)])

    def overtake(self, ms: int) -> None:
        """What is for all comes late."""
        self._deliver(lambda one: [(ms, one)] if _for_all(one.topic) else None)

    def broker_restart(self, ms: int) -> None:
        """New connections wait until the air is free."""
        self.cut()
        self.half_open(ms)

    def _deliver(self, script: Callable[[Publication], Deliveries]) -> None:
        """Have `script` say what becomes of each delivery to the node; retained ones stay as they are."""
        before = self._bus.intercept

        def intercept(sender: str, receiver: str, publication: Publication) -> Deliveries:
            scripted = None
            if receiver == self._name and sender != RETAINED:
                scripted = script(publication)
            if scripted is None and before is not None:
                return before(sender, receiver, publication)
            return scripted

        def end() -> None:
            self._bus.intercept = before

        self._bus.intercept = intercept
        self._endings.append(end)


class TapLink(Link):
    """The link through a tap."""

    def __init__(self, bench: WireBench) -> None:
        super().__init__(bench)
        self._tap: Tap = bench.tap

    def cut(self) -> None:
        """Both sides are reset."""
        self._tap.cut()

    def half_open(self, ms: int) -> None:
        """Packets are held and then sent on."""
        self._hold(lambda packet: True)

    def deaf(self, ms: int) -> None:
        """Every PUBACK to the node is lost."""
        rule = self._tap.drop(lambda seen: not seen.from_node and _kind(seen) == Kind.PUBACK)

        def end() -> None:
            self._tap.discard(rule)
            self._tap.cut()

        self._endings.append(end)

    def slow(self, ms: int) -> None:
        """Both ways."""
        self._set(lambda direction, on: self._tap.delay(direction, SLOW_MS * on))

    def throttle(self, ms: int) -> None:
        """Byte by byte, as a bad radio or a slow modem gives them."""
        self._set(lambda direction, on: self._tap.throttle(direction, GAP_MS * on))

    def again(self, ms: int) -> None:
        """With DUP; its second acknowledgement is kept from the broker, which knows of one."""
        came: list[Publish] = []

        def sees(seen: LinkPacket) -> bool:
            if not seen.from_node and isinstance(seen.packet, Publish) and seen.packet.qos == 1:
                came.append(seen.packet)
            return False

        watching = self._tap.drop(sees)

        def end() -> None:
            self._tap.discard(watching)
            rules = [self._repeat(one, one.packet_id) for one in came if one.packet_id is not None]
            self.pass_ms(ms)
            for rule in rules:
                self._tap.discard(rule)

        self._endings.append(end)

    def overtake(self, ms: int) -> None:
        """What is for all is held and then sent on."""
        self._hold(
            lambda seen: (
                not seen.from_node and isinstance(seen.packet, Publish) and _for_all(seen.packet.topic)
            )
        )

    def broker_restart(self, ms: int) -> None:
        """Who comes is reset."""
        self._tap.refuse()
        self._tap.cut()
        self._endings.append(lambda: self._tap.refuse(False))

    def _hold(self, predicate: Callable[[LinkPacket], bool]) -> None:
        rule = self._tap.hold(predicate)
        self._endings.append(lambda: self._tap.release(rule))

    def _set(self, switch: Callable[[Direction, int], None]) -> None:
        def turn(on: int) -> None:
            for direction in Direction:
                switch(direction, on)

        turn(1)
        self._endings.append(lambda: turn(0))

    def _repeat(self, one: Publish, packet_id: int) -> Rule:
        def acknowledges(seen: LinkPacket) -> bool:
            same = getattr(seen.packet, "packet_id", None) == packet_id
            return seen.from_node and same and _kind(seen) == Kind.PUBACK

        rule = self._tap.drop(acknowledges, limit=1)
        raw = string(one.topic) + packet_id.to_bytes(2, "big") + one.payload
        # A node that has gone meanwhile gets nothing again.
        with contextlib.suppress(Trouble):
            self._tap.inject(Direction.TO_NODE, framed(PUBLISH_AGAIN, raw))
        return rule


def _kind(seen: LinkPacket) -> object:
    return getattr(seen.packet, "kind", None)


def _for_all(topic: str) -> bool:
    return topic.split("/")[2:3] == [specification().everyone]


def link_of(bench: Bench, name: str) -> Link:
    """The link of a bench. Raises TypeError for a bench of another kind."""
    if isinstance(bench, VirtualBench):
        return VirtualLink(bench, name)
    if isinstance(bench, WireBench):
        return TapLink(bench)
    raise TypeError(f"no link is known for {type(bench).__name__}")
