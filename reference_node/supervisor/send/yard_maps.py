"""The yard-maps of a supervisor: those of the life before as they come in, and its own on every change."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.participant import Publication
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.yard_map import map_of
from reference_node.supervisor.send.messages import OwnMessages, ReadMessage

Body = Mapping[str, Any]


class YardMaps:
    """What was kept of the life before, and what was shown last."""

    def __init__(self, messages: OwnMessages, inventory: Inventory, sessions: Mapping[str, Session]) -> None:
        self._messages, self._inventory, self._sessions = messages, inventory, sessions
        self.kept: dict[str, Body] = {}
        """Yard-maps of the life before, by place."""
        self.shown: dict[str, Body] = {}
        """What was published last, by place."""

    def keep(self, message: ReadMessage) -> None:
        """Of the life before: live ones and those of this boot are only our own words coming back."""
        own = message.topic.node == self._messages.node.name
        of_before = message.retain and message.body["boot"] != self._messages.boot and own
        if of_before and message.topic.place in self._inventory.site.places:
            self.kept[message.topic.place] = message.body

    def due(self, asked: Mapping[str, str], now_ms: int) -> list[Publication]:
        """A yard-map of every place on every change [SUP-22]. `asked`: places that a person is asked about."""
        out = []
        for place in self._inventory.site.places:
            unsure = "" if self._inventory.is_sure(place) else "not known what stands here"
            body = map_of(place, self._inventory, self._sessions, asked.get(place) or unsure)
            if body != self.shown.get(place):
                self.shown[place] = body
                out.append(self._messages.yard_map(place, body, now_ms))
        return out
