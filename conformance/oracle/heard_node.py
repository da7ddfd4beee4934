"""One node as a subscriber hears it: the same judge as at a tap, with what a subscriber can know.

A subscriber knows not when an order reached the node, nor whether it did, so each may have been lost; it knows a new
connection by the count in node-status; and what is missing on a topic shows only at the topic's next message. So
nothing is told before every state topic of the node has gone on without a gap, and what a gap may explain is dropped.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from conformance.oracle.link_log import Log, Message, Trace
from conformance.oracle.node_judge import NodeJudge
from protocol.rules.received import Breach, ReceivedMessage
from protocol.site import Encoding, Site
from protocol.specification import specification
from protocol.wire.packet import Publish

KEPT, MOST = 64, 512
"""Messages kept of a log that has grown to the most."""
DOUBT_US = 10_000_000
"""How long to wait for the topics of a node that has fallen silent."""
ANSWERED_US = 3_000_000
"""After so long an order has been answered, or was lost, on a link that is well."""
SETTLED_US = 2 * ANSWERED_US
BY_COUNTS = frozenset({"MSG-02", "MSG-03", "MSG-07", "MSG-08"})
"""What the counts of each topic tell by themselves, and for nodes outside of the site file too (`rules/counts`)."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A message that was heard, its topic, its bytes and how they were read."""

    received: ReceivedMessage
    topic: str
    payload: bytes
    encoding: Encoding | None

    @property
    def gap(self) -> bool:
        """Whether messages of its topic before it were said, and not heard."""
        received = self.received
        return received.lost and not (received.first or received.new_boot)


@dataclass(slots=True)
class _Doubt:
    """A breach, and the state topics that have not gone on since."""

    breach: Breach
    waits: set[str] = field(default_factory=set)


class HeardNode:
    """Judges one node of a site."""

    def __init__(self, site: Site, name: str) -> None:
        self._node, self._name = site.nodes[name], name
        self._log = Log()
        self._missing = 1
        self._judge = NodeJudge(self._log, site, name, listening=True, damaged=lambda: self._missing)
        self._topics = set(specification().states_of(self._node.roles))
        self._fits: bool | None = None
        """Whether it says the roles and the digest that the site file gives it; None before it has said any."""
        self._missing_us: int | None = None
        """When something was missing last; None while nothing has been heard since."""
        self._lost = False
        """Whether nothing was known of it when it spoke last."""
        self._connection = 1
        self._link: tuple[int, int | None] = (-1, None)
        """Boot and count of its connection; None where no node-status of the boot was heard."""
        self._gone = False
        """Whether its will was heard on this connection."""
        self._doubts: list[_Doubt] = []

    @property
    def judged(self) -> Counter[str]:
        """How often each requirement could be judged."""
        return self._judge.judged

    def forget(self) -> None:
        """There is a gap in what was heard, of this node or of what was said to it."""
        self._missing += 1
        self._missing_us = None
        self._doubts.clear()

    def order(self, heard: Heard) -> None:
        """Take in an order to it, or to all."""
        if self._fits is not False:
            self._enter(heard, from_node=False)

    def said(self, heard: Heard) -> None:
        """Judge what it says."""
        received = heard.received
        body = received.body
        if received.message == "node-status" and not self._status(body):
            return
        if not self._fits:
            return
        if body["boot"] != self._link[0]:
            self._connected(body["boot"], None)
            self.forget()
        elif self._gone:
            self._connected(*self._link)
        if heard.gap:
            self.forget()
        self._settle(received.at_us)
        if received.message == "job-report" and (received.first or received.new_boot):
            self._judge.missed_reports(received.at_us / 1000)
        self._confirm(received.message)
        self._enter(heard, from_node=True)
        self._judge.take()
        self._doubt(received)

    def _status(self, body: Any) -> bool:
        """Take in a node-status; whether it is to be judged."""
        if body["state"] != "on":
            self._gone = self._gone or self._link == (body["boot"], body["link"])
            return False
        fits = body["digest"] == self._node.digest and set(body["roles"]) == set(self._node.roles)
        if fits and self._fits is False:
            self._judge.went_on()
            self.forget()
        self._fits = fits
        if self._link == (body["boot"], None):
            self._link = body["boot"], body["link"]
        elif self._link != (body["boot"], body["link"]):
            self._connected(body["boot"], body["link"])
        return fits

    def _settle(self, at_us: int) -> None:
        """SETTLED_US after something was missing, nothing follows from it any more."""
        if self._missing_us is None or (self._judge.lost and not self._lost):
            self._missing_us = at_us
        self._lost = self._judge.lost
        if at_us - self._missing_us >= SETTLED_US:
            self._judge.settle((at_us - ANSWERED_US) / 1000)

    def _connected(self, boot: int, link: int | None) -> None:
        self._connection += 1
        self._link, self._gone = (boot, link), False

    def _enter(self, heard: Heard, *, from_node: bool) -> None:
        received = heard.received
        packet = Publish(heard.topic, heard.payload, qos=0, retain=False, dup=False, packet_id=None)
        at_ms = received.at_us / 1000
        trace = Trace(self._log.end + 1, self._connection, at_ms, from_node, len(heard.payload), packet)
        body = received.body
        message = Message(
            trace, heard.topic, heard.payload, 0, False, received.message, body, heard.encoding, ()
        )
        self._log.enter(message)
        if len(self._log.traces) > MOST:
            self._judge.take()
            self._log.forget(KEPT)

    # ---- what is not sure yet

    def _doubt(self, received: ReceivedMessage) -> None:
        for one in self._judge.findings:
            if one.requirement not in BY_COUNTS:
                self._doubts.append(_Doubt(received.breach(one.requirement, one.what), set(self._topics)))
        self._judge.findings.clear()

    def _confirm(self, message: str) -> None:
        for one in self._doubts:
            one.waits.discard(message)

    def sure(self, at_us: int) -> list[Breach]:
        """The breaches that nothing lost can explain any more by `at_us`."""
        if not self._doubts:
            return []
        sure = [one for one in self._doubts if not one.waits or at_us - one.breach.at_us > DOUBT_US]
        self._doubts = [one for one in self._doubts if one not in sure]
        return [one.breach for one in sure]
