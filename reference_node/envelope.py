"""What every message of a node has around it: boot, a count for each topic, uptime."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, next_count
from protocol.participant import Publication
from protocol.site import NodeSite, Site
from protocol.specification import specification
from protocol.topics import Topic

Body = dict[str, Any]
FIRMWARE = "reference"
"""The version it says where the site file asks for none."""


class Uptime:
    """Milliseconds since the start, 32 bits, counted from a clock of the caller's [MSG-08]."""

    def __init__(self, started_ms: int) -> None:
        self._zero_ms = started_ms

    def at(self, now_ms: int) -> int:
        """The uptime at `now_ms`; goes on from 0 after 4294967295."""
        return (now_ms - self._zero_ms) % UPTIME_MODULUS

    def set(self, uptime: int, now_ms: int) -> None:
        """Go on from `uptime`, and change nothing else [BEN-04]."""
        self._zero_ms = now_ms - uptime


class Envelope:
    """Puts bodies into envelopes and encodes them as the site says."""

    def __init__(self, site: Site, node: NodeSite, boot: int) -> None:
        self.boot = boot
        self._site, self._node = site.name, node
        self._seq: dict[str, int] = {}

    def wrap(self, message: str, body: Mapping[str, Any], uptime: int) -> Publication:
        """The publication of `body` with boot, seq and uptime in front [MSG-04, MSG-07, MSG-08]."""
        seq = self.count(message)
        return self.bare(message, {"boot": self.boot, "seq": seq, "uptime": uptime, **body})

    def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
        """The publication of `body` as it is: the will and the parting word say no more [LNK-04]."""
        topic = str(Topic(self._site, self._node.name, message))
        payload = encode(message, body, self._node.writes)
        return Publication(topic, payload, self._node.qos, self.retained(message))

    def count(self, message: str) -> int:
        """The count of the next message on this topic: up by one, without gap [MSG-07]."""
        seq = self._seq.get(message, 0)
        self._seq[message] = next_count(seq)
        return seq

    def retained(self, message: str) -> bool:
        """State is retained, reports are not [LNK-12, LNK-13]."""
        return specification().topics[message].retain
