"""A bench on virtual time whose node is on a serial line behind a gateway."""

from __future__ import annotations

from random import Random
from typing import Protocol

from conformance.bench.serial.virtual_line import RATE, VirtualLine
from conformance.bench.virtual_bench import VirtualBench
from protocol.site import Site
from protocol.wire.serial.gateway_line import GatewayLine
from protocol.wire.serial.node_line import LineParticipant, NodeLine


class MakeNode(Protocol):
    """Makes the node under test."""

    def __call__(self, boot: int, started_ms: int, /) -> LineParticipant:
        """From its boot and the instant of its start in ms."""


class VirtualSerialBench(VirtualBench):
    """Runs the participant that `make` gives at the end of a virtual line."""

    kind = "virtual time, serial line"

    def __init__(
        self,
        make: MakeNode,
        site: Site,
        name: str,
        rng: Random,
        *,
        rate: int = RATE,
        node_class: type[NodeLine] = NodeLine,
        gateway_class: type[GatewayLine] = GatewayLine,
    ) -> None:
        """Switch the node on at instant 0; `node_class` and `gateway_class` are the two ends of the line."""
        self._site, self._name, self._rate = site, name, rate
        self._classes = node_class, gateway_class
        self._serial: VirtualLine | None = None
        super().__init__(make, rng)

    @property
    def serial(self) -> VirtualLine:
        """The line."""
        if self._serial is None:
            gateway = self._classes[1]
            self._serial = VirtualLine(
                self.bus, self._time, self._site, rate=self._rate, gateway_class=gateway
            )
            self.line = self._serial
        return self._serial

    def call_at(self, ms: int, work: object) -> None:
        """Have something done to the line at an instant."""
        assert callable(work)
        self._time.call_at(ms, work)

    def _switch_on(self) -> None:
        participant: LineParticipant = self._node  # type: ignore[assignment]
        self.serial.plug(self._classes[0](participant, self._site.name, self._name, rate=self._rate))

    def _switch_off(self) -> None:
        self.serial.plug(None)

    def forget(self, keep: int) -> None:
        """Drop what passed on the line too."""
        super().forget(keep)
        self.serial.log.forget(keep)
