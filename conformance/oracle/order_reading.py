"""An order as it comes to a node: whether it surely reaches the node's program, can be read there, and is late."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from conformance.oracle.link_log import Message
from conformance.oracle.timing import Timing
from protocol.codec import encode
from protocol.site import NodeSite
from protocol.specification import specification
from protocol.validation import read_message

LOOKED_BACK_MS = 10_000
"""How far back a stall of the test machine may bear on what is late now."""
BACKLOG = 4
"""Orders without an answer up to which a sender has waited for its node."""
Stalled = Callable[[float, float], float]


class OrderReading:
    """Follows the orders that come to one node."""

    def __init__(self, node: NodeSite, everyone: str, rate: float, timing: Timing, stalled: Stalled) -> None:
        """More than `rate` orders in a second may be lost; 0: none may. `everyone` is the topic of all nodes."""
        self._node, self._everyone, self._rate = node, everyone, rate
        self._timing, self._stalled = timing, stalled
        self._arrivals: deque[float] = deque()

    def forget(self) -> None:
        """Nothing has come yet."""
        self._arrivals.clear()

    def readable(self, message: Message, minor: int | None) -> bool | None:
        """Whether the node reads it as an order; None where receivers may differ."""
        body, reads = message.body, self._node.reads
        if not body or reads not in ("both", str(message.encoding)):
            return False
        if message.topic == self._everyone and body["act"] != "hold":
            return False if "HLD-07" in specification().at(minor).requirements else None
        assert message.encoding is not None
        if encode("job-order", body, message.encoding) == message.payload:
            return True
        # Longer integers, keys out of order, white space: a receiver may read them or not.
        strict = read_message("job-order", message.payload, closed=True, explain=False)
        return None if {one.requirement for one in strict.findings} - {"ENC-06"} else True

    def too_fast(self, message: Message, backlog: int) -> bool:
        """ORD-19: beyond the promised rate a node may lose orders, and live on.

        Who waits for the answers is as fast as the node, which loses none of that.
        """
        arrivals = self._arrivals
        arrivals.append(message.at_ms)
        while arrivals[0] < message.at_ms - 1000:
            arrivals.popleft()
        return bool(self._rate) and len(arrivals) > self._rate and backlog >= BACKLOG

    def late(self, message: Message) -> bool | None:
        """Whether its deadline has surely passed as it comes; None where it may have."""
        if "deadline" not in message.body:
            return None
        if self._stalled(message.at_ms - LOOKED_BACK_MS, message.at_ms):
            return None
        return self._timing.surely_past(message.body["deadline"], message.at_ms)
