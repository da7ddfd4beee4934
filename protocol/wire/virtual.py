"""A bus in virtual time: the same participants as on the wire, without sockets, and the same run every time.

time = VirtualTime()
bus = VirtualBus(time, random.Random(7))
bus.attach(node)
time.run_until(10_000)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import ClassVar

from protocol.participant import Participant, Publication
from protocol.wire.evidence import LinkConnection, LinkPacket
from protocol.wire.virtual_broker import Intercept, LogEntry, LossModel, VirtualBroker
from protocol.wire.virtual_client import VirtualClient
from protocol.wire.virtual_link import LinkConditions, PacketLog
from protocol.wire.virtual_time import VirtualTime


class VirtualBus:
    """A broker and the links to it. All chance comes from `rng`, all time from `time`."""

    client_class: ClassVar[type[VirtualClient]] = VirtualClient

    def __init__(
        self,
        time: VirtualTime,
        rng: Random,
        latency_ms: tuple[int, int] = (1, 5),
        loss: float = 0.0,
        repeat: float = 0.0,
        *,
        reorder: bool = False,
    ) -> None:
        """Set how unkind the links are.

        `latency_ms` is the least and the most time a packet takes from a client to the broker, and from
        there to a client. `loss` is the probability that a message at QoS 0 is lost, on each of the two legs;
        `repeat` that a delivery at QoS 1 comes again later, perhaps with some before it and all after it
        (MQTT 3.1.1 section 4.6). With `reorder`, messages of different senders, topics or QoS overtake each
        other on their way to a client, which the standard allows; without it they keep the order they had in
        the broker, as brokers over TCP keep it.
        """
        self.time = time
        self._conditions = LinkConditions(time, rng, latency_ms, reorder=reorder)
        self._chance = LossModel(rng, loss, repeat)
        self._book = PacketLog(time)
        self._broker = VirtualBroker(time, self._chance)
        self._clients: list[VirtualClient] = []

    @property
    def log(self) -> list[LogEntry]:
        """Every publication that reached the broker, in order."""
        return self._broker.log

    @property
    def packets(self) -> Mapping[str, Sequence[LinkPacket]]:
        """Client identifier to what passed at its end, as a tap would tell it."""
        return self._book.packets

    @property
    def connections(self) -> Mapping[str, Sequence[LinkConnection]]:
        """Client identifier to its connections, oldest first."""
        return self._book.connections

    @property
    def retained(self) -> Mapping[str, Publication]:
        """Topic to retained message."""
        return self._broker.retained

    @property
    def intercept(self) -> Intercept | None:
        """A script for deliveries: called with sender, receiver and publication.

        It gives None to let a delivery pass, or the deliveries to make instead, each after a delay in ms;
        these keep no order but that of their delays. An empty list loses it.
        """
        return self._broker.intercept

    @intercept.setter
    def intercept(self, script: Intercept | None) -> None:
        self._broker.intercept = script

    def forget(self) -> None:
        """Drop the log and what passed at the ends of the links, for runs of hours; connections are kept."""
        self._broker.log.clear()
        self._book.packets.clear()

    def attach(self, participant: Participant) -> None:
        """Switch a participant on: it connects, and connects again whenever it loses the link."""
        client = self.client_class(participant, self._broker, self._book, self._conditions, self._chance)
        self._clients.append(client)
        client.start()

    def detach(self, client_id: str, graceful: bool) -> None:
        """Switch off the newest participant with this identifier. Raises KeyError.

        Gracefully: it says its parting message, if it has one, and DISCONNECT. Else it is as if power was
        cut: the broker notices after one and a half keep-alives, or when the identifier connects again.
        """
        client = self._client(client_id)
        self._clients.remove(client)
        if graceful:
            client.leave()
        else:
            client.die()

    def cut(self, client_id: str, for_ms: int) -> None:
        """Silently hold up everything to and from this client for `for_ms`.

        Both ends notice after one and a half keep-alives of silence; what was sent meanwhile arrives
        afterwards if neither has given up.
        """
        self._conditions.cut(client_id, for_ms)

    def sever(self, client_id: str) -> None:
        """Break the connection so that both ends notice at once: the will is sent. Raises KeyError."""
        self._client(client_id).sever()

    def call(self, client_id: str, work: Callable[[Participant, int], Sequence[Publication]]) -> bool:
        """Call `work(participant, now_ms)` and publish what it returns.

        Gives whether the link was up; if not, nothing was published. Raises KeyError.
        """
        return self._client(client_id).call(work)

    def publish(self, publication: Publication, sender: str = "someone") -> None:
        """Put a message on the broker from outside, at once."""
        self._broker.spread(sender, publication)

    def is_up(self, client_id: str) -> bool:
        """Whether a participant of this identifier is connected and subscribed."""
        return any(client.client_id == client_id and client.up for client in self._clients)

    def _client(self, client_id: str) -> VirtualClient:
        for client in reversed(self._clients):
            if client.client_id == client_id:
                return client
        raise KeyError(f"no participant {client_id!r} is attached")
