"""A second board of the same name somewhere on the bus: it obeys every order, and the tap does not see it.

What it says comes to the broker past the tap. Only a whole node-status that is no retained one shows it, with a boot
that the node under test has never said: one that did come through the tap may have overtaken itself.
"""

from __future__ import annotations

import time
from collections import deque

from conformance.bench.tap.attribution import NodeSignature
from protocol.topics import Topic
from protocol.validation import read_message

OVERTAKEN_S = 1.0
"""How long a word on the bus may be ahead of the same word at the tap."""
KEPT = 64


class SecondBoard:
    """Compares what is heard on the bus under the name of a node with what that node has said at the tap."""

    def __init__(self, signature: NodeSignature) -> None:
        self.topic = str(Topic(signature.site, signature.node, "node-status"))
        self._name = signature.node
        self._heard: deque[tuple[float, int, str]] = deque(maxlen=KEPT)
        """When which boot was heard on the bus, with the firmware that it says."""
        self._own: set[int] = set()

    def heard(self, payload: bytes | bytearray, *, retain: bool) -> None:
        """A publication on the node's topic has come from the broker; from any thread."""
        body = None if retain else read_message("node-status", bytes(payload), closed=False).body
        if body and body.get("state") == "on":
            self._heard.append((time.monotonic(), int(body["boot"]), str(body.get("firmware", ""))))

    def said(self, boot: object) -> None:
        """The node under test has said a boot, at the tap."""
        if isinstance(boot, int):
            self._own.add(boot)

    def conflict(self) -> str:
        """Who else says that it is the node; '' while nobody does, or while the node itself has said nothing."""
        now = time.monotonic()
        while (
            self._heard
            and self._own
            and (now - self._heard[0][0] >= OVERTAKEN_S or self._heard[0][1] in self._own)
        ):
            _, boot, firmware = self._heard.popleft()
            if boot not in self._own:
                told = f"another board on this bus says that it is {self._name!r} too"
                return f"{told} (boot {boot}, firmware {firmware!r}): each order would reach both"
        return ""
