"""Who takes part in the bus, seen without sockets: bytes and times go in, publications come out.

Reference nodes, supervisors and the tester are participants. The same participant runs on the virtual bus in
tests and behind an MQTT client on the wire.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Publication:
    """A message on its way out."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message as it arrived; `retain` and `dup` as the packet said."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    dup: bool = False


class Participant(Protocol):
    """One client of the bus. Times are milliseconds of one monotonic clock, the same for all calls."""

    @property
    def client_id(self) -> str:
        """Client identifier, the same at every connection [LNK-11]."""

    @property
    def keep_alive_s(self) -> int:
        """Keep-alive asked for in CONNECT, in seconds [LNK-02]."""

    def will(self) -> Publication | None:
        """The will of the next connection; asked before each CONNECT."""

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Topic filters with their QoS, subscribed after each CONNECT."""

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """The link is up and subscribed. Returns what is to be published first."""

    def disconnected(self, now_ms: int) -> None:
        """The link is down; it comes back by itself or not at all."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """A message arrived. Returns what is to be published, in this order."""

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Time has passed. Returns what is to be published, in this order."""

    def next_tick(self, now_ms: int) -> int | None:
        """When `tick` has to be called next at the latest, or None if nothing is due."""
