"""A participant that hears a whole site and says nothing: what the recorder, the validator and a replay listen with."""

from __future__ import annotations

from collections.abc import Sequence

from protocol.participant import Delivery, Publication
from protocol.specification import specification


class SiteListener:
    """Hears one site, or with '+' every one. Subclasses say what becomes of what is heard."""

    keep_alive_s = 10

    def __init__(self, site: str, client_id: str) -> None:
        self.client_id = client_id
        self._site = site

    def will(self) -> None:
        """Nobody need know that a listener has gone."""

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Everything under the site; at QoS 1, so that an order is heard as its node hears it."""
        return ((f"{specification().root}/{self._site}/#", 1),)

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """Say nothing."""
        return ()

    def disconnected(self, now_ms: int) -> None:
        """What is said until the link is back is missed."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Let it pass."""
        return ()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Nothing is ever due."""
        return ()

    def next_tick(self, now_ms: int) -> int | None:
        """Nothing is ever due."""
        return None
