"""What a tap has seen: packets and connections, in a log that any thread may read and wait on."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from protocol.wire.evidence import ClosedBy, LinkConnection, LinkPacket
from protocol.wire.fail_stop import fail

if TYPE_CHECKING:
    from conformance.bench.tap.attribution import Attribution


Predicate = Callable[[LinkPacket], bool]
Listener = Callable[[LinkPacket], None]


class TrafficLog:
    """Written by the tap's thread alone; read, copied and waited on by any.

    A packet to the node is entered when its first bytes have gone: one held back when it is released, and one that the
    node takes no more, because the connection is over, as dropped.
    With an attribution only the packets of the node under test are entered, once they are known to be its own.
    """

    def __init__(self, attribution: Attribution | None = None) -> None:
        self._attribution = attribution
        self._changed = threading.Condition()
        self._packets: list[LinkPacket] = []
        self._forgotten = 0
        self._connections: list[LinkConnection] = []
        self._listeners: list[Listener] = []
        self._error: BaseException | None = None

    def packets(self) -> list[LinkPacket]:
        """All packets so far, oldest first; a copy."""
        with self._changed:
            return list(self._packets)

    @property
    def _end(self) -> int:
        """Number of the newest packet."""
        return self._forgotten + len(self._packets)

    def forget(self, keep: int) -> None:
        """Drop all but the newest `keep` packets."""
        with self._changed:
            drop = max(0, len(self._packets) - keep)
            del self._packets[:drop]
            self._forgotten += drop

    def connections(self) -> list[LinkConnection]:
        """All connections so far, oldest first; a copy."""
        with self._changed:
            return list(self._connections)

    def listen(self, listener: Listener) -> None:
        """Call `listener` with every packet: at once with those so far, with others on the thread that writes."""
        with self._changed:
            for packet in self._packets:
                listener(packet)
            self._listeners.append(listener)

    def record(self, packet: LinkPacket) -> LinkPacket:
        """Enter a packet under the next number and tell the listeners; one that is not the node's passes by."""
        found = [packet] if self._attribution is None else self._attribution.take(packet)
        for one in found:
            packet = self._enter(one)
        return packet

    def settle_for_best(self) -> bool:
        """Take the likeliest client for the node, where none is certain; whether one is known now."""
        if self._attribution is None:
            return True
        for one in self._attribution.best():
            self._enter(one)
        return bool(self._attribution.client_id)

    def _enter(self, packet: LinkPacket) -> LinkPacket:
        with self._changed:
            numbered = replace(packet, number=self._end + 1)
            self._packets.append(numbered)
            listeners = list(self._listeners)
            self._changed.notify_all()
        for listener in listeners:
            listener(numbered)
        return numbered

    def opened(self, at_us: int, peer: str = "") -> int:
        """Enter a new connection and the address it comes from; gives its number."""
        with self._changed:
            number = len(self._connections) + 1
            self._connections.append(LinkConnection(number, at_us))
            self._changed.notify_all()
        if self._attribution is not None:
            self._attribution.opened(number, peer)
        return number

    def closed(self, number: int, at_us: int, by: ClosedBy) -> None:
        """Enter the end of a connection; only the first counts."""
        with self._changed:
            before = self._connections[number - 1]
            if before.closed_by is None:
                self._connections[number - 1] = replace(before, closed_us=at_us, closed_by=by)
            self._changed.notify_all()
        if self._attribution is not None:
            self._attribution.closed(number)

    def fail(self, error: BaseException) -> None:
        """Keep the first error of a predicate, a listener or the tap itself for whoever waits, and stop the program."""
        fail(error)
        with self._changed:
            self._error = self._error or error
            self._changed.notify_all()

    def raise_error(self) -> None:
        """Raise the error that was kept, once."""
        with self._changed:
            error, self._error = self._error, None
        if error is not None:
            raise error

    def wait_for(self, predicate: Predicate, timeout: float, after: int) -> LinkPacket | None:
        """Wait up to `timeout` seconds for a packet numbered above `after`; None when there was none."""
        end = time.monotonic() + timeout
        seen = after
        while True:
            fresh = self._wait_past(seen, end - time.monotonic())
            self.raise_error()
            if not fresh:
                return None
            found = next((packet for packet in fresh if predicate(packet)), None)
            if found is not None:
                return found
            seen = fresh[-1].number

    def wait_for_connection(
        self, predicate: Callable[[LinkConnection], bool], timeout: float
    ) -> LinkConnection | None:
        """Wait up to `timeout` seconds until a connection is as wanted; None when none became so."""

        def find() -> LinkConnection | None:
            return next((one for one in self._connections if predicate(one)), None)

        with self._changed:
            self._changed.wait_for(lambda: find() is not None or self._error is not None, timeout)
            found = find()
        self.raise_error()
        return found

    def _wait_past(self, seen: int, timeout: float) -> list[LinkPacket]:
        with self._changed:
            self._changed.wait_for(lambda: self._end > seen or self._error is not None, max(0.0, timeout))
            return self._packets[max(0, seen - self._forgotten) :]
