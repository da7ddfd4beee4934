"""A bench on virtual time: the node under test runs in the same process and a minute takes milliseconds."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import ClassVar

from conformance.suite.bench import Bench
from conformance.suite.stalls import Stall
from protocol.participant import Participant, Publication
from protocol.sizes import connect_size, publish_size
from protocol.wire.evidence import Fate, LinkPacket
from protocol.wire.packet import Connect, Packet, Publish
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime

Maker = Callable[[int, int], Participant]
"""Makes the node under test from its boot and the instant of its start in ms."""
Distortion = Callable[[LinkPacket], LinkPacket | None]
"""What a link layer that is wrong makes of a packet; None where it leaves the packet out."""

TESTER = "tester"
RETAINED = "tester-r"
DARK_MS = 40


class VirtualBench(Bench):
    """Runs the participant that `make` gives on a virtual bus of its own."""

    can_restart = True
    kind = "virtual time"
    path_ms = 20.0
    chance = None
    bus_class: ClassVar[type[VirtualBus]] = VirtualBus

    def __init__(
        self,
        make: Maker,
        rng: Random,
        *,
        latency_ms: tuple[int, int] = (1, 5),
        loss: float = 0.0,
        distort: Distortion | None = None,
    ) -> None:
        """Switch the node on at instant 0. `distort` stands for a faulty link layer beneath a sound node."""
        super().__init__()
        self._make, self._rng, self._distort = make, rng, distort
        self._time = VirtualTime()
        self.bus = self.bus_class(self._time, rng, latency_ms, loss)
        self.bus.intercept = self._flag_retained
        self._taken = 0
        self._still: list[tuple[float, float]] = []
        self._boot = rng.randrange(65536)
        self._node = make(self._boot, 0)
        self._switch_on()

    @property
    def now_ms(self) -> float:
        """Virtual now."""
        return self._time.now_ms

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish on the virtual broker at once."""
        self.bus.publish(Publication(topic, payload, qos, retain), TESTER)

    def deliver_retained(self, topic: str, payload: bytes) -> None:
        """Deliver with the retain flag set."""
        self.bus.publish(Publication(topic, payload, 1, False), RETAINED)

    def stand_still(self, begin_ms: float, length_ms: float, *, noticed: bool = True) -> None:
        """Let the test machine stand still at an instant to come: the node goes on, and the bench sees all of it late.

        `noticed` is False for a bench that does not measure it.
        """
        self._still.append((begin_ms, begin_ms + length_ms))
        if noticed:
            self.stalls.add(Stall(begin_ms, begin_ms + length_ms, "timer"))

    def _awake_ms(self, at_ms: float) -> float:
        """When the bench sees what happens at an instant."""
        if not self._still:
            return at_ms
        return max((end for begin, end in self._still if begin <= at_ms < end), default=at_ms)

    def wait(self, happened: Callable[[], bool], within_ms: float) -> bool:
        """Run virtual time."""

        def look() -> bool:
            if self._awake_ms(self.now_ms) > self.now_ms:
                return False
            self._take()
            return happened()

        found = self._time.run_until_true(look, max(0, round(within_ms)))
        if self._awake_ms(self.now_ms) > self.now_ms:
            self._time.run_until(round(self._awake_ms(self.now_ms)))
            found = look()
        return found

    def cut(self) -> None:
        """Break the node's connection so that both ends see it."""
        self.bus.sever(self._node.client_id)

    def forget(self, keep: int) -> None:
        """Drop what has passed on the bus too."""
        self._take()
        super().forget(keep)
        self.bus.forget()
        self._taken = 0

    def restart(self) -> None:
        """Take the node's power away for a moment; it comes up with another boot."""
        self._switch_off()
        self._time.run_until(self._time.now_ms + DARK_MS)
        self._boot = (self._boot + self._rng.randrange(1, 65536)) % 65536
        self._node = self._make(self._boot, self._time.now_ms)
        self._switch_on()

    def _switch_on(self) -> None:
        self.bus.attach(self._node)

    def _switch_off(self) -> None:
        self.bus.detach(self._node.client_id, graceful=False)

    def _flag_retained(
        self, sender: str, receiver: str, publication: Publication
    ) -> list[tuple[int, Publication]] | None:
        if sender != RETAINED:
            return None
        return [(1, Publication(publication.topic, publication.payload, publication.qos, True))]

    def _take(self) -> None:
        """Enter into the log what has passed at the node's end of the link."""
        passed = self.bus.packets.get(self._node.client_id, ())
        if len(passed) == self._taken:
            return
        for one in passed[self._taken :]:
            seen = self._distort(one) if self._distort else one
            if seen is None or (seen.fate is Fate.DROPPED and not seen.from_node):
                continue  # the node never had what was lost on its way to it
            self.log.add(
                connection=seen.connection,
                at_ms=self._awake_ms(seen.at_us / 1000),
                from_node=seen.from_node,
                size=packet_size(seen.packet),
                packet=seen.packet,
            )
        self._taken = len(passed)


def packet_size(packet: Packet) -> int:
    """Bytes of a whole CONNECT or PUBLISH by MQTT 3.1.1 sections 2.2.3, 3.1 and 3.3; 2 for any other."""
    if isinstance(packet, Publish):
        return publish_size(len(packet.topic.encode()), len(packet.payload), qos=packet.qos)
    if not isinstance(packet, Connect):
        return 2
    will = packet.will
    return connect_size(
        len(packet.client_id.encode()),
        len(will.topic.encode()) if will else None,
        len(will.payload) if will else None,
        len(packet.user.encode()) if packet.user is not None else None,
        packet.password_size,
        "5" if packet.level == 5 else "3.1.1",
    )
