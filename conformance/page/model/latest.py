"""The newest word of every node on every topic, live ones apart from what the broker only kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class LatestMessage:
    """One message body; `kept` is one that the broker had retained: a hint and no more [SUP-10]."""

    body: Body
    at_us: int
    kept: bool


class LatestMessages:
    """Newest words by node and message, of a yard-map by place too; only for nodes that are `known`."""

    def __init__(self, known: frozenset[str], places: frozenset[str]) -> None:
        self._known = known
        self._places = places
        self._newest: dict[tuple[str, str], LatestMessage] = {}
        self._maps: dict[str, LatestMessage] = {}

    def hear(self, node: str, message: str, place: str, word: LatestMessage) -> None:
        """Keep it; a retained one never outweighs a live one."""
        if message == "yard-map":
            if place in self._places and not (word.kept and place in self._maps):
                self._maps[place] = word
        elif node in self._known and not (word.kept and (node, message) in self._newest):
            self._newest[node, message] = word

    def of(self, node: str, message: str) -> LatestMessage | None:
        """The newest `message` of `node`."""
        return self._newest.get((node, message))

    def map_of(self, place: str) -> LatestMessage | None:
        """The newest yard-map of `place`."""
        return self._maps.get(place)

    def grow_old(self) -> None:
        """The bus is not heard: all that was said becomes a hint."""
        self._newest = {
            key: LatestMessage(word.body, word.at_us, kept=True) for key, word in self._newest.items()
        }
        self._maps = {
            key: LatestMessage(word.body, word.at_us, kept=True) for key, word in self._maps.items()
        }
