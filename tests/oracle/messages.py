"""Messages of a node for the parts of the judge that take them one by one; only what a test says of them is in them."""

from __future__ import annotations

from typing import Any

from conformance.oracle.link_log import Message, Trace
from protocol.wire.packet import Publish


class Said:
    """Makes messages of one node, numbered as they are made."""

    def __init__(self) -> None:
        self.number = 0

    def __call__(self, name: str, **body: Any) -> Message:
        """The next message."""
        self.number += 1
        packet = Publish(f"yw1/harlow-basin/x/{name}", b"", 1, False, False, self.number)
        trace = Trace(self.number, 1, 100.0 * self.number, True, 0, packet)
        return Message(trace, packet.topic, b"", 1, False, name, body, None, ())
