"""Feeds a page with what a participant hears, over the participant's own connection.

A broker that ties the client identifier to the user lets each user in once, so a supervisor's page cannot have a
connection of its own beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

from paho.mqtt.client import topic_matches_sub

from conformance.page.server.live_model import LivePage
from protocol.participant import Delivery, Participant, Publication
from protocol.recording import EventKind, RecordedEvent, RecordedMessage
from protocol.specification import specification
from protocol.wire.parting import parting_of


class PageListener:
    """A participant who hears all of the site, for the page; `inner` gets what it asked for and no more."""

    def __init__(self, inner: Participant, page: LivePage) -> None:
        self._inner, self._page = inner, page
        self.client_id, self.keep_alive_s = inner.client_id, inner.keep_alive_s
        self.will, self.tick, self.next_tick = inner.will, inner.tick, inner.next_tick
        self._filter = f"{specification().root}/{page.site.name}/#"

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """One filter for both: two that overlap may have a message delivered twice (MQTT 3.1.1 section 3.3.5)."""
        others = [one for one in self._inner.subscriptions() if not self._covers(one[0])]
        return [(self._filter, 1), *others]

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """The link is up."""
        self._page.take(RecordedEvent(self._page.clock(), EventKind.CONNECTED, self._page.source))
        return self._inner.connected(now_ms)

    def disconnected(self, now_ms: int) -> None:
        """The link is down."""
        text = "the supervisor's connection was lost"
        self._page.take(RecordedEvent(self._page.clock(), EventKind.DISCONNECTED, text))
        self._inner.disconnected(now_ms)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """A message for the page, and perhaps for the participant."""
        message = RecordedMessage(
            self._page.clock(), delivery.topic, delivery.payload, delivery.qos, delivery.retain, delivery.dup
        )
        self._page.take(message)
        wanted = self._inner.subscriptions()
        if any(topic_matches_sub(one, delivery.topic) for one, _ in wanted):
            return self._inner.receive(delivery, now_ms)
        return ()

    def parting(self, now_ms: int) -> Sequence[Publication]:
        """What the participant says before it leaves."""
        return parting_of(self._inner, now_ms)

    def _covers(self, topic_filter: str) -> bool:
        return topic_filter.startswith(self._filter.removesuffix("#"))
