"""What a listener knows of the bus by now: orders heard, newest words of nodes, jobs under way."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field

from protocol.rules.received import NOTHING, Body, ReceivedMessage
from protocol.specification import OPEN, specification

ORDERS_KEPT = 512
"""Orders remembered a node, newest last: memory does not grow with the length of a recording."""


Name = tuple[int, int, bool]
"""Boot and id of an order, and whether it is a claim: that is answered beside the job of that id [CLM-02]."""


def name_of(body: Body) -> Name:
    """The name under which an order, or the order that a report answers, is known."""
    return body.get("order_boot", body["boot"]), body["id"], body["act"] == "claim"


@dataclass(slots=True)
class KnownOrder:
    """One order and what was said to it."""

    body: Body
    number: int
    at_us: int
    last_us: int
    answered: bool = False
    state: str = ""
    state_number: int = 0
    state_us: int = 0
    uptime: int | None = None
    """Uptime of the node when it said `state`."""
    step: str = ""
    told: int = 0
    """How often the node has said `state`."""
    acts: set[str] = field(default_factory=set)
    """Every act that came under its id: each is answered with the act that it says [ORD-06, ORD-14]."""

    @property
    def act(self) -> str:
        """What it asks for."""
        return str(self.body["act"])

    @property
    def is_job(self) -> bool:
        """Whether it moves something."""
        return self.act in specification().jobs

    @property
    def is_open(self) -> bool:
        """Whether the node has taken the job and not ended it."""
        return self.is_job and self.state in OPEN


@dataclass(slots=True)
class KnownNode:
    """One node, as heard."""

    orders: OrderedDict[Name, KnownOrder] = field(default_factory=OrderedDict)
    words: dict[str, tuple[Body, int, int]] = field(default_factory=dict)
    """Message to newest body, its number, its time in us."""
    boot: int | None = None
    uptime: int | None = None
    mark: tuple[int, int, int] | None = None
    """Boot, mark, and when it was first heard in us."""
    first_id: int | None = None
    """The first order id heard in this boot: what is above it should have been heard."""

    def word(self, message: str) -> Body:
        """The newest `message`, {} if none was heard."""
        return self.words.get(message, (NOTHING, 0, 0))[0]

    def refers_to(self, id_: int) -> bool:
        """Whether a cancel has named this id."""
        return any(order.body.get("ref") == id_ for order in self.orders.values())

    def open_job(self) -> KnownOrder | None:
        """The newest job of the present boot that is open."""
        for (boot, _, _), order in reversed(self.orders.items()):
            if boot == self.boot and order.is_open:
                return order
        return None


class OrderHistory:
    """Kept up to date by the watch, read by the rules."""

    def __init__(self) -> None:
        self.nodes: dict[str, KnownNode] = {}
        self.supervised = False
        """A supervisor has spoken: its duties can be judged."""
        self.minors: dict[str, int] = {}
        """The minor version that each participant said last; that outlasts a gap."""
        self._supervisors: set[str] = set()

    def binds(self, requirement: str, name: str) -> bool:
        """Whether a requirement binds the node `name`, or whoever orders it, by the minor version that it says.

        Of whom none was heard no more is asked than every version does, and of several supervisors what the oldest
        of them has to do: the topic of an order does not say who sent it.
        """
        rule = specification().requirements[requirement]
        if rule.role == "supervisor":
            return rule.since <= min((self.minors.get(one, 0) for one in self._supervisors), default=0)
        return rule.since <= self.minors.get(name, 0)

    def node(self, name: str) -> KnownNode:
        """What is known of a node."""
        found = self.nodes.get(name)
        if found is None:
            found = self.nodes[name] = KnownNode()
        return found

    def forget(self) -> None:
        """There is a gap in what was heard."""
        self.nodes.clear()

    def learn(self, heard: ReceivedMessage) -> None:
        """Take in what a node says of itself; rules have judged it before."""
        body = heard.body
        if heard.message == "job-order" or "boot" not in body:
            return
        node = self.node(heard.node)
        if heard.message == "yard-map" or "supervisor" in body.get("roles", ()):
            self.supervised = True
            self._supervisors.add(heard.node)
        if "minor" in body:
            self.minors[heard.node] = body["minor"]
        if "uptime" not in body:
            return
        if node.boot != body["boot"]:
            node.boot, node.first_id, node.mark = body["boot"], None, None
            node.words.clear()
        node.uptime = body["uptime"]
        node.words[heard.message] = (body, heard.number, heard.at_us)
        mark = body.get("mark")
        if mark is not None and (node.mark is None or mark > node.mark[1]):
            node.mark = (body["boot"], mark, heard.at_us)

    def enter(self, heard: ReceivedMessage) -> KnownOrder | None:
        """Take in an order that has an id. Gives it if it was heard before."""
        body = heard.body
        if "id" not in body:
            return None
        node = self.node(heard.node)
        key = name_of(body)
        known = node.orders.get(key)
        if known is not None:
            known.last_us = heard.at_us
            known.acts.add(body["act"])
            return known
        acts = {body["act"]} | ({"cancel"} if node.refers_to(body["id"]) else set())
        node.orders[key] = KnownOrder(body, heard.number, heard.at_us, heard.at_us, acts=acts)
        if len(node.orders) > ORDERS_KEPT:
            node.orders.popitem(last=False)
        if body["boot"] == node.boot and node.first_id is None:
            node.first_id = body["id"]
        return None
