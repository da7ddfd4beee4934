"""Who is there, as far as the bus tells: what cannot be told counts as somebody who is there and in service."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

from protocol.participant import Delivery
from protocol.site import Encoding
from protocol.topics import NotATopic, parse_topic
from protocol.validation import read_message

ORDERING = "whoever sends orders"
"""A topic of an order names the node that is ordered, and never who orders."""
ENCODINGS = {"json": (Encoding.JSON,), "cbor": (Encoding.CBOR,), "both": (Encoding.CBOR,)}
_LABEL = re.compile("[A-Za-z0-9-]{1,8}")


class Standing(IntEnum):
    """What a node is taken for; the higher, the more can go wrong."""

    GONE = 0
    """It said 'off', and nothing since."""
    BENCH = 1
    """It answered, and says that it is on the bench."""
    SERVICE = 2
    """It is there and in service, or may be."""


@dataclass(slots=True)
class NodePresence:
    """What was heard of one node."""

    live: bool = False
    """It has said something now; a retained message may be of last year."""
    answered: bool = False
    """It has answered an ask."""
    off: bool = False
    """The last node-status said 'off'."""
    bench: bool | None = None
    """Whether every live node-status of a node that is on says bench; None where there was none."""
    boot: int | None = None
    """The boot that it said last, of now."""
    left: list[int] = field(default_factory=list)
    """The boots that it has left meanwhile: what it still says of them comes late."""
    roles: tuple[str, ...] = ()
    reads: tuple[Encoding, ...] | None = None
    unclear: str = ""
    """The last topic on which it said what cannot be read."""
    status_unclear: bool = False
    """The last node-status cannot be read."""
    held: bool = False
    """Whether it has said last that a hold stands."""

    @property
    def standing(self) -> Standing:
        """What it has to be taken for."""
        if self.answered and self.bench is True and not self.status_unclear:
            return Standing.BENCH
        gone = self.off and not self.live and not self.unclear
        return Standing.GONE if gone else Standing.SERVICE

    @property
    def why(self) -> str:
        """The reason for its standing, in a few words."""
        if self.standing is Standing.BENCH:
            return "on the bench"
        if self.standing is Standing.GONE:
            return "off"
        if self.bench is False:
            return "in service"
        if self.unclear:
            return f"what it says on {self.unclear} cannot be read"
        if not self.live:
            return "only retained messages are there, and none that says 'off'"
        return "it does not answer an ask" if self.bench else "it does not say that it is on the bench"


@dataclass(slots=True)
class Presence:
    """Everybody who was heard on one site, by name."""

    heard: dict[str, NodePresence] = field(default_factory=dict)
    tokens: set[int] = field(default_factory=set)
    """Those of our own asks."""

    def hear(self, delivery: Delivery) -> str:
        """Take in what somebody else said; gives the name of whom it tells something."""
        try:
            topic = parse_topic(delivery.topic)
        except NotATopic:
            return self._unclear(_name_in(delivery.topic), delivery)
        if topic.message == "job-order":
            return self._ordered(delivery, topic.node)
        body = read_message(topic.message, delivery.payload, closed=False).body
        if topic.message == "node-status":
            self._of(topic.node).status_unclear = body is None
        if body is None:
            return self._unclear(topic.node, delivery)
        one = self._of(topic.node)
        if topic.message == "yard-map":
            one.roles = one.roles or ("supervisor",)
        if not delivery.retain:
            one.live = True
            boot = body.get("boot", one.boot)
            if boot in one.left:
                # It says nothing of now, but that somebody is in service stands: two boards may have one name.
                one.bench = False if body.get("bench") is False else one.bench
                return topic.node
            if one.boot is not None and boot != one.boot:
                one.left.append(one.boot)
            one.boot = boot
            one.held = body.get("held", one.held)
            one.answered |= body.get("act") == "ask" and body.get("token") in self.tokens
        if topic.message == "node-status":
            self._status(one, body, retain=delivery.retain)
        return topic.node

    def _status(self, one: NodePresence, body: dict[str, Any], *, retain: bool) -> None:
        one.off = body["state"] == "off"
        if one.off:
            return
        one.roles, one.reads = tuple(body["roles"]), ENCODINGS.get(body["reads"])
        if not retain and one.bench is not False:
            # In service once is in service for as long as it is listened to: two boards may have one name.
            one.bench = body["bench"]

    def _ordered(self, delivery: Delivery, node: str) -> str:
        if delivery.retain:
            return self._unclear(node, delivery)
        known = [name for name, one in self.heard.items() if "supervisor" in one.roles and one.live]
        name = known[0] if known else ORDERING
        one = self._of(name)
        one.live, one.roles, one.bench = True, ("supervisor",), False
        return name

    def _unclear(self, name: str, delivery: Delivery) -> str:
        one = self._of(name)
        one.unclear = ascii(delivery.topic)[1:-1][:80]
        one.live |= not delivery.retain
        return name

    def _of(self, name: str) -> NodePresence:
        return self.heard.setdefault(name, NodePresence())

    def concerned(self, speaks_as: Iterable[str] | None) -> dict[str, NodePresence]:
        """Whom a replay concerns: everybody, or where it only speaks as some nodes, those and every supervisor.

        A node believes no other node; a supervisor may order on what it hears. Whose role is not known may be one.
        """
        if speaks_as is None:
            return dict(self.heard)
        names = set(speaks_as)
        return {
            name: one
            for name, one in self.heard.items()
            if name in names or not one.roles or "supervisor" in one.roles
        }


def _name_in(topic: str) -> str:
    levels = topic.split("/")
    return levels[2] if len(levels) > 2 and _LABEL.fullmatch(levels[2]) else ascii(topic)[1:-1][:80]
