"""What a node makes of a packet before it is an order: whether it takes it, and whether it can read it."""

from __future__ import annotations

from protocol.guards import Order
from protocol.participant import Delivery
from protocol.site import NodeSite, Site
from protocol.sizes import publish_size
from protocol.specification import specification
from protocol.topics import Topic
from protocol.validation import read_message

MESSAGE = "job-order"


class Inbox:
    """The receive buffer of one node."""

    def __init__(self, site: Site, node: NodeSite) -> None:
        self._node = node
        self._own = str(Topic(site.name, node.name, MESSAGE))
        self._everyone = str(Topic(site.name, specification().everyone, MESSAGE))

    @property
    def topics(self) -> tuple[str, ...]:
        """The node's own orders, and those to all [LNK-05]."""
        return self._own, self._everyone

    def takes(self, delivery: Delivery) -> bool:
        """Whether the packet is looked at: one for another, a retained one or one too large is not."""
        return delivery.topic in self.topics and not self.ignores(delivery) and self.fits(delivery)

    def ignores(self, delivery: Delivery) -> bool:
        """LNK-14: a retained order is one from another day."""
        return delivery.retain

    def fits(self, delivery: Delivery) -> bool:
        """A small client drops a packet over its buffer without a word; so does this one."""
        return packet_size(delivery) <= self._node.buffer

    def read(self, delivery: Delivery) -> Order | None:
        """The order, or None for one that cannot be read: half an order is none [ENC-10].

        From what comes for all nothing but a hold is taken [HLD-07].
        """
        reading = read_message(MESSAGE, delivery.payload, closed=False, explain=False)
        if not reading.readable or reading.body is None or not self.reads(str(reading.encoding)):
            return None
        if delivery.topic == self._everyone and reading.body["act"] != "hold":
            return None
        return reading.body

    def reads(self, encoding: str) -> bool:
        """Whether the site says that the node reads this encoding [ENC-08]."""
        return self._node.reads in ("both", encoding)


def packet_size(delivery: Delivery) -> int:
    """Bytes of the whole PUBLISH, fixed header included (MQTT 3.1.1 sections 2.2 and 3.3)."""
    return publish_size(len(delivery.topic.encode()), len(delivery.payload), qos=delivery.qos)
