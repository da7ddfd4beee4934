"""All nodes of a site judged by what a subscriber hears, from a recording or live.

MQTT keeps the order of messages of one topic and QoS alone (3.1.1, section 4.6): the answer to an order may be heard
before it, and a state before the report that was said first. So what nodes say waits a little, and orders do not.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import replace

from conformance.oracle.heard_node import Heard, HeardNode
from protocol.counting import uptime_difference
from protocol.recording import RecordedMessage
from protocol.rules.received import Breach, ReceivedMessage
from protocol.site import Site
from protocol.specification import specification
from protocol.validation import Reading

OVERTAKEN_US = 500_000
"""By so much one topic may be heard before another."""
FOREVER_US = 1 << 62


class Listener:
    """Judges the nodes of a site that a listener hears; supervisors are judged by the rules."""

    def __init__(self, site: Site) -> None:
        self._prefix = f"{specification().root}/{site.name}/"
        self._nodes = {
            name: HeardNode(site, name) for name, one in site.nodes.items() if not one.is_supervisor
        }
        self._waiting: deque[Heard] = deque()
        self._set: set[str] = set()
        """Nodes whose uptime was set: it tells no order."""

    @property
    def judged(self) -> Mapping[str, int]:
        """How often each requirement could be judged, by now and over all nodes."""
        total: dict[str, int] = {}
        for node in self._nodes.values():
            for requirement, count in node.judged.items():
                total[requirement] = total.get(requirement, 0) + count
        return total

    def take(self, received: ReceivedMessage, item: RecordedMessage, reading: Reading) -> None:
        """Take in a message that can be read and is no second delivery."""
        if not item.topic.startswith(self._prefix):
            return
        heard = Heard(received, item.topic, item.payload, reading.encoding)
        if received.message == "job-order":
            for name, node in self._nodes.items():
                if received.node in (name, specification().everyone):
                    node.order(heard)
            if received.body["act"] == "set-uptime":
                self._set.add(received.node)
            return
        if received.node not in self._nodes:
            return
        if heard.gap:
            # Whoever lost it here may have lost an order too, and nothing shows that.
            for node in self._nodes.values():
                node.forget()
        if "uptime" in received.body or received.message == "node-status":
            self._wait(heard)

    def _wait(self, heard: Heard) -> None:
        """Keep it in the order in which the node said it, as far as its uptime tells."""
        node, place = heard.received.node, len(self._waiting)
        if node not in self._set:
            for at in range(place - 1, -1, -1):
                if self._waiting[at].received.node == node:
                    if not _overtook(self._waiting[at], heard):
                        break
                    place = at
        self._waiting.insert(place, heard)

    def forget(self) -> None:
        """There is a gap in what was heard."""
        self._let_go(None)
        for node in self._nodes.values():
            node.forget()

    def look(self, at_us: int) -> list[Breach]:
        """What is sure by now."""
        self._let_go(at_us)
        return [breach for node in self._nodes.values() for breach in node.sure(at_us)]

    def end(self, at_us: int) -> list[Breach]:
        """The recording has ended: what nothing has confirmed since is worth a note."""
        self._let_go(None)
        sure = [breach for node in self._nodes.values() for breach in node.sure(at_us)]
        return [
            *sure,
            *(replace(one, note=True) for node in self._nodes.values() for one in node.sure(FOREVER_US)),
        ]

    def _let_go(self, at_us: int | None) -> None:
        while self._waiting and (at_us is None or at_us - self._waiting[0].received.at_us >= OVERTAKEN_US):
            heard = self._waiting.popleft()
            self._nodes[heard.received.node].said(heard)


def _overtook(before: Heard, heard: Heard) -> bool:
    """Whether what was heard before was said after it: by the uptime of one boot, and by no more than the wait."""
    was, is_ = before.received.body, heard.received.body
    if was.get("boot") != is_.get("boot") or "uptime" not in was or "uptime" not in is_:
        return False
    return 0 < uptime_difference(was["uptime"], is_["uptime"]) <= OVERTAKEN_US // 1000
