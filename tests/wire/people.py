"""Participants small enough to see through, for the tests of both buses."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from protocol.participant import Delivery, Publication


class Listener:
    """Subscribes, keeps what it hears, says nothing. It has no will and wants no ticks."""

    def __init__(self, client_id: str = "ear", *filters: tuple[str, int], keep_alive_s: int = 10) -> None:
        self.client_id = client_id
        self.keep_alive_s = keep_alive_s
        self.filters = filters or (("#", 1),)
        self.heard: list[Delivery] = []
        self.changed = threading.Condition()

    def will(self) -> Publication | None:
        return None

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return self.filters

    def connected(self, now_ms: int) -> Sequence[Publication]:
        return ()

    def disconnected(self, now_ms: int) -> None:
        pass

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        with self.changed:
            self.heard.append(delivery)
            self.changed.notify_all()
        return ()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        return ()

    def next_tick(self, now_ms: int) -> int | None:
        return None

    def wait_for(self, predicate: Callable[[Delivery], bool], timeout: float = 10.0) -> bool:
        """Wait until something was heard that `predicate` holds for."""
        with self.changed:
            return self.changed.wait_for(lambda: any(predicate(one) for one in self.heard), timeout)

    def wait_for_payload(self, payload: bytes, timeout: float = 10.0) -> bool:
        return self.wait_for(lambda one: one.payload == payload, timeout)

    def payloads(self, topic: str) -> list[bytes]:
        return [one.payload for one in self.heard if one.topic == topic]


class Node(Listener):
    """Echoes `{id}/order` on `{id}/report`; says 'on N' and leaves the will 'off N', N its connections."""

    def __init__(
        self, client_id: str = "north", *, keep_alive_s: int = 10, every_ms: int | None = None
    ) -> None:
        super().__init__(client_id, (f"{client_id}/order", 1), keep_alive_s=keep_alive_s)
        self.connections = 0
        self.ups: list[int] = []
        self.downs: list[int] = []
        self.ticks: list[int] = []
        self.every_ms = every_ms
        self.due_ms: int | None = None

    def message(self, kind: str, text: str, *, qos: int = 1, retain: bool = False) -> Publication:
        return Publication(f"{self.client_id}/{kind}", text.encode(), qos, retain)

    def will(self) -> Publication | None:
        return self.message("status", f"off {self.connections + 1}", retain=True)

    def connected(self, now_ms: int) -> Sequence[Publication]:
        self.connections += 1
        self.ups.append(now_ms)
        return [self.message("status", f"on {self.connections}", retain=True), self.message("state", "still")]

    def disconnected(self, now_ms: int) -> None:
        self.downs.append(now_ms)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        super().receive(delivery, now_ms)
        return [self.message("report", delivery.payload.decode()), self.message("state", "busy", qos=0)]

    def tick(self, now_ms: int) -> Sequence[Publication]:
        assert self.every_ms is not None
        self.ticks.append(now_ms)
        self.due_ms = now_ms + self.every_ms
        return [self.message("tick", str(len(self.ticks)))]

    def next_tick(self, now_ms: int) -> int | None:
        if self.every_ms is None:
            return None
        if self.due_ms is None:
            self.due_ms = now_ms + self.every_ms
        return self.due_ms


class PoliteNode(Node):
    """A node that says so when it leaves."""

    def parting(self, now_ms: int) -> Sequence[Publication]:
        return [self.message("status", f"off {self.connections}", retain=True)]
