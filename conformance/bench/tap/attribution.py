"""Which of the connections through a tap are those of the node under test, and who else came.

No table names the client identifier of a node, so it is learnt: from what only the node does. A will on a topic of its
own tells at once; so do two lesser signs together: its name as identifier, a subscription to its orders, a message on a
topic of its own. From then on its identifier is known. All others are strangers: what they send passes, and is evidence
of nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from protocol.specification import specification
from protocol.topics import NotATopic, parse_topic
from protocol.validation import read_publication
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Connect, Publish, Subscribe

CERTAIN = 2
"""Signs that make a connection the node's; a will on its own topic is worth as many."""
KEPT = 400
"""Packets of a connection that are kept while nobody knows whose it is."""
BOOTS = 4
"""A boot that comes back behind so many others is no chance."""
NAMED = 3
"""Strangers that are named; the others are counted."""


@dataclass(frozen=True, slots=True)
class NodeSignature:
    """What the node under test does and nobody else has to."""

    site: str
    node: str
    supervisor: bool = False

    def is_own(self, topic: str) -> bool:
        """Whether only the node may publish there: its own topics and, for a supervisor, orders."""
        try:
            read = parse_topic(topic)
        except NotATopic:
            return False
        if read.site != self.site:
            return False
        return self.supervisor if read.message == "job-order" else read.node == self.node

    def is_heard(self, topic_filter: str) -> bool:
        """Whether the node has to subscribe to it: its orders or, for a supervisor, what the nodes say."""
        root = specification().root
        if self.supervisor:
            return topic_filter.startswith((f"{root}/{self.site}/", f"{root}/+/"))
        return topic_filter == f"{root}/{self.site}/{self.node}/job-order"


def names_one_board(topic_filter: str) -> bool:
    """Whether only one board has to subscribe to it: the orders of one node, of whatever version of the protocol."""
    levels = topic_filter.split("/")
    orders = len(levels) == 4 and levels[3] == "job-order" and not {"+", "#"} & set(levels)
    return orders and levels[2] != specification().everyone


@dataclass(slots=True)
class SeenClient:
    """One connection as far as it has shown what it is."""

    client_id: str = ""
    peer: str = ""
    will: str | None = None
    is_node: bool | None = None
    """None while nobody knows."""
    kept: list[LinkPacket] = field(default_factory=list)
    signs: set[str] = field(default_factory=set)
    published: str = ""
    """A topic of the node on which it has published, if it did."""
    open: bool = True
    spoke: bool = False
    """Whether it has sent a CONNECT."""
    claims: str = ""
    """The topic that names whose board it is: of its will, of its orders, or of what it has published."""
    displaced: bool = False
    """Whether it came with the node's identifier while the node was connected."""

    def settled(self) -> bool:
        """Whether it is known whose it is."""
        return self.is_node is not None

    def owned(self) -> bool:
        """Whether it is known to be the node's."""
        return self.is_node is True

    @property
    def certainty(self) -> int:
        """How many signs of the node it has shown."""
        return len(self.signs) + ("will" in self.signs)

    @property
    def acts(self) -> bool:
        """Whether it did what only the node does once it is connected."""
        return bool(self.signs - {"name"})


@dataclass(frozen=True, slots=True)
class Boot:
    """One boot that was said under the name of the node, as far as it tells one board from another."""

    number: int
    firmware: str
    peer: str

    @property
    def words(self) -> str:
        """Which board that is, for somebody who looks for it."""
        firmware = f"firmware {self.firmware!r}" if self.firmware else "firmware not told"
        return f"boot {self.number} ({firmware}{f', from {self.peer}' if self.peer else ''})"


class Attribution:
    """Gives the node's packets, once they are known to be its own. Used on the tap's thread alone."""

    def __init__(self, signature: NodeSignature) -> None:
        self.signature = signature
        self.client_id = ""
        """The node's client identifier; '' until it is known."""
        self.conflict = ""
        """Why nothing that is seen can be said of the node any more; '' while it can."""
        self.of_the_kit: set[str] = set()
        """Client identifiers that the kit itself uses."""
        self._clients: dict[int, SeenClient] = {}
        self._will: str | None = None
        self._boots: list[Boot] = []
        self._strangers: dict[str, int] = {}
        """Connections of each stranger, by its identifier."""
        self._meddling: dict[str, str] = {}
        """Which strangers published on a topic of the node."""
        self._claims: dict[str, str] = {}
        """Topics by which strangers show whose board they are, by client identifier."""

    # ---- fed by the tap

    def opened(self, number: int, peer: str) -> None:
        """A connection has come from an address."""
        self._clients[number] = SeenClient(peer=peer)

    def closed(self, number: int) -> None:
        """A connection is over; one that has shown nothing of the node was a stranger's."""
        client = self._clients.get(number)
        if client is None or not client.open:
            return
        client.open = False
        if not client.spoke:  # somebody looked whether the port is open
            self._clients.pop(number)
            return
        if (client.is_node is None and client.certainty == 0) or (client.is_node is None and self.client_id):
            self._estrange(client)
        if client.is_node is False or not client.kept:
            self._clients.pop(number, None)

    def take(self, packet: LinkPacket) -> list[LinkPacket]:
        """What is known to be the node's now: nothing, this packet, or it with those that were kept before it."""
        client = self._clients.setdefault(packet.connection, SeenClient())
        if client.owned():
            if packet.from_node and isinstance(packet.packet, Publish):
                self._look_at_boot(packet.packet, client.peer)
            return [packet]
        if packet.from_node:
            self._learn(client, packet)
        if client.settled():
            return []
        client.kept.append(packet)
        self._decide(client)
        if not client.settled() and len(client.kept) > KEPT:
            self._estrange(client)
        if not client.settled():
            return []
        kept, client.kept = client.kept, []
        return kept if client.owned() else []

    def best(self) -> list[LinkPacket]:
        """Take the one client that has shown some sign for the node, where nothing better came; gives its packets."""
        if self.client_id:
            return []
        likely = [
            one for one in self._clients.values() if one.is_node is None and one.signs & {"words", "name"}
        ]
        if len({one.client_id for one in likely}) != 1:
            return []
        for one in likely:
            self._own(one)
        found = sorted((packet for one in likely for packet in one.kept), key=lambda one: one.at_us)
        for one in likely:
            one.kept = []
        return found

    # ---- asked by others

    def is_node(self, number: int) -> bool:
        """Whether a connection is known to be the node's."""
        client = self._clients.get(number)
        return client is not None and client.is_node is True

    @property
    def strangers(self) -> dict[str, int]:
        """Client identifiers of others, each with how often it connected."""
        waiting = [one for one in self._clients.values() if one.is_node is None and one.spoke]
        counted = dict(self._strangers)
        for one in waiting:
            counted[one.client_id] = counted.get(one.client_id, 0) + 1
        known = {self.client_id, *self.of_the_kit} - {""}
        return {name: times for name, times in counted.items() if name not in known}

    @property
    def claims(self) -> dict[str, str]:
        """Topics by which clients that are not known to be the node's show whose board they are."""
        waiting = {
            one.client_id: one.claims for one in self._clients.values() if not one.owned() and one.claims
        }
        return self._claims | waiting

    def notes(self) -> list[str]:
        """What others did at the tap, in sentences."""
        strangers = self.strangers
        told: list[str] = []
        if strangers:
            named = ", ".join(repr(name) for name in list(strangers)[:NAMED])
            more = f" and {len(strangers) - NAMED} more" if len(strangers) > NAMED else ""
            times = sum(strangers.values())
            told.append(
                f"{len(strangers)} other client{'s' * (len(strangers) > 1)} came to the tap ({named}{more};"
                f" {times} connection{'s' * (times > 1)}): let through, and not judged"
            )
        for name, topic in list(self._meddling.items())[:NAMED]:
            told.append(
                f"the client {name!r} published on {topic}, a topic of {self.signature.node}: not judged"
            )
        return told

    # ---- deciding

    def _learn(self, client: SeenClient, packet: LinkPacket) -> None:
        match packet.packet:
            case Connect() as connect:
                client.client_id, client.spoke = connect.client_id, True
                client.will = connect.will.topic if connect.will else None
                if connect.client_id == self.signature.node:
                    client.signs.add("name")
                if client.will is not None:
                    client.claims = client.will
                    if self.signature.is_own(client.will):
                        client.signs.add("will")
                client.displaced = bool(self.client_id) and client.client_id == self.client_id and self._is_up
            case Subscribe() as subscribe:
                own = [one.filter for one in subscribe.subscriptions if names_one_board(one.filter)]
                client.claims = client.claims or next(iter(own), "")
                if any(self.signature.is_heard(one.filter) for one in subscribe.subscriptions):
                    client.signs.add("orders")
            case Publish() as publish if self.signature.is_own(publish.topic):
                client.signs.add("words")
                client.published = client.published or publish.topic
                if client.is_node is False:
                    self._meddling.setdefault(client.client_id, publish.topic)

    @property
    def _is_up(self) -> bool:
        return any(one.is_node and one.open for one in self._clients.values())

    def _decide(self, client: SeenClient) -> None:
        if not self.client_id:
            if client.certainty >= CERTAIN:
                self._own(client)
        elif client.client_id == self.client_id:
            if client.acts or client.will == self._will:
                self._own(client)
            elif client.displaced and sum(packet.from_node for packet in client.kept) > 1:
                self._estrange(client)
        elif client.client_id and self._is_up:
            self._estrange(client)
        elif client.certainty >= CERTAIN and client.signs & {"will", "orders"}:
            # The node with another identifier: it is away itself, and does what only the node does.
            self._own(client)

    def _own(self, client: SeenClient) -> None:
        client.is_node = True
        if not self.client_id:
            self.client_id, self._will = client.client_id, client.will
            for other in list(self._clients.values()):
                if other.spoke and not other.settled() and other.client_id != self.client_id:
                    self._estrange(other)
        for packet in client.kept:
            if isinstance(packet.packet, Publish) and packet.from_node:
                self._look_at_boot(packet.packet, client.peer)

    def _estrange(self, client: SeenClient) -> None:
        client.is_node = False
        client.kept.clear()
        name = client.client_id
        if client.claims:
            self._claims[name] = client.claims
        self._strangers[name] = self._strangers.get(name, 0) + 1
        if client.published:
            self._meddling.setdefault(name, client.published)
        if client.displaced:
            self.conflict = self.conflict or (
                f"another client, from {client.peer or 'somewhere'}, uses the client identifier of the node,"
                f" {name!r}: the broker throws one off when the other connects"
            )

    def _look_at_boot(self, publish: Publish, peer: str) -> None:
        """Two boards with one firmware say all that the node says; a boot that comes back gives them away."""
        if not publish.topic.endswith("/node-status") or not self.signature.is_own(publish.topic):
            return
        read = read_publication(publish.topic, publish.payload, retain=None, qos=None, closed=False)
        body = read.body or {}
        boot, link = body.get("boot"), body.get("link")
        if not isinstance(boot, int) or body.get("state") != "on":
            return
        seen = Boot(boot, str(body.get("firmware", "")), peer)
        if self._boots and self._boots[-1].number == boot:
            self._boots[-1] = seen
            return
        if boot in [one.number for one in self._boots[-BOOTS:]] and link != 1:
            self.conflict = self.conflict or (
                f"two nodes use the client identifier {self.client_id!r}: {seen.words} came back after "
                f"{self._boots[-1].words}"
            )
        self._boots = [*self._boots[-BOOTS:], seen]
