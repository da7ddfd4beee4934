"""The newest live state messages of one node, in this boot, and which of them may be relied on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.counting import uptime_difference

Body = Mapping[str, Any]


class Words:
    """What a node has said of itself. Uptimes are the node's own ms, compared as signed differences."""

    def __init__(self) -> None:
        self.newest: dict[str, Body] = {}
        """By message name."""
        self.since_ask: set[str] = set()
        """State messages that came since the newest ask."""
        self.uptime = 0
        """Of the newest message of any kind."""
        self._settled_from = 0
        self._behind: set[str] = set()
        self._anew = False

    def ask(self, *, again: bool) -> None:
        """An ask is about to go out. `again`: what was said before it is too old to be compared with what comes."""
        self.since_ask = set()
        self._anew = again

    def age(self, uptime: int) -> None:
        """A message of any kind carries `uptime`."""
        if (self._anew and not self.since_ask) or uptime_difference(uptime, self.uptime) > 0:
            self.uptime = uptime

    def hear(self, message: str, body: Body) -> None:
        """Take a state message, unless a newer one was taken before."""
        uptime, before = int(body["uptime"]), self.newest.get(message)
        first = self._anew and message not in self.since_ask
        if before is None or first or uptime_difference(uptime, int(before["uptime"])) >= 0:
            self.newest[message] = body
        if first or uptime_difference(uptime, self._settled_from) >= 0:
            self._behind.discard(message)
        self.since_ask.add(message)

    def settle(self, uptime: int) -> None:
        """A report of `uptime` ended an order: what was said before does not tell what that order changed."""
        self._settled_from = uptime
        self._behind = {
            message
            for message, word in self.newest.items()
            if uptime_difference(int(word["uptime"]), uptime) < 0
        }

    def reliable(self, message: str) -> Body | None:
        """The newest `message`, unless it is older than the report that ended the last order."""
        return None if message in self._behind else self.newest.get(message)
