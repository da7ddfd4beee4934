"""The link between node and broker, and what may befall it; on virtual time and on the wire."""

from __future__ import annotations

from abc import ABC, abstractmethod

from conformance.bench.tap import Tap
from conformance.testbench import Bench
from conformance.virtual_bench import VirtualBench
from conformance.wire_bench import WireBench
from protocol.wire.evidence import Direction
from protocol.wire.packet import Kind


class Link(ABC):
    """Disturbs one node's link. Each call returns once the disturbance is over."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def pass_ms(self, ms: float) -> None:
        """Let time pass."""
        self.bench.wait(lambda: False, ms)

    def cut(self) -> None:
        """Break the connection so that both ends see it."""
        self.bench.cut()

    @abstractmethod
    def mute(self, ms: int) -> None:
        """Hold up every byte both ways: the connection is half open until it goes on."""

    @abstractmethod
    def deaf(self, ms: int) -> None:
        """Lose every acknowledgement that the broker sends the node."""

    @abstractmethod
    def slow(self, ms: int, delay_ms: int) -> None:
        """Put latency on the link."""


class VirtualLink(Link):
    """The link of a virtual bus, which offers cuts and silence."""

    def __init__(self, bench: VirtualBench, name: str) -> None:
        super().__init__(bench)
        self._bus, self._name = bench.bus, name

    def cut(self) -> None:
        """Break the connection where there is one."""
        if self._bus.is_up(self._name):
            self._bus.sever(self._name)

    def mute(self, ms: int) -> None:
        """What was sent meanwhile arrives afterwards, unless an end has given up."""
        self._bus.cut(self._name, ms)
        self.pass_ms(ms)

    def deaf(self, ms: int) -> None:
        """The virtual bus keeps its acknowledgements; silence is the nearest to it."""
        self.mute(ms)

    def slow(self, ms: int, delay_ms: int) -> None:
        """Silences of the latency's length, one after the other."""
        for _ in range(max(1, ms // max(1, delay_ms))):
            self.mute(delay_ms)


class TapLink(Link):
    """The link through a tap."""

    def __init__(self, bench: WireBench) -> None:
        super().__init__(bench)
        self._tap: Tap = bench.tap

    def mute(self, ms: int) -> None:
        """Packets of both ways are held and then sent on."""
        rule = self._tap.hold(lambda packet: True)
        try:
            self.pass_ms(ms)
        finally:
            self._tap.release(rule)

    def deaf(self, ms: int) -> None:
        """Every PUBACK to the node is lost."""
        rule = self._tap.drop(
            lambda packet: (
                packet.direction is Direction.TO_NODE and getattr(packet.packet, "kind", None) == Kind.PUBACK
            )
        )
        try:
            self.pass_ms(ms)
        finally:
            self._tap.discard(rule)

    def slow(self, ms: int, delay_ms: int) -> None:
        """Both ways are slowed."""
        for direction in Direction:
            self._tap.delay(direction, delay_ms)
        try:
            self.pass_ms(ms)
        finally:
            for direction in Direction:
                self._tap.delay(direction, 0)


def link_of(bench: Bench, name: str) -> Link:
    """The link of a bench. Raises TypeError for a bench of another kind."""
    if isinstance(bench, VirtualBench):
        return VirtualLink(bench, name)
    if isinstance(bench, WireBench):
        return TapLink(bench)
    raise TypeError(f"no link is known for {type(bench).__name__}")
