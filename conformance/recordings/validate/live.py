"""Messages as they pass on a live bus."""

from __future__ import annotations

import secrets
from collections.abc import Iterator, Sequence
from queue import Empty, SimpleQueue
from time import monotonic

from conformance.bench.connection.address import Address
from conformance.recordings.site_listener import SiteListener
from conformance.recordings.validate.subject import Subject
from protocol.participant import Delivery, Publication
from protocol.trouble import Trouble


class Listener(SiteListener):
    """Keeps all that it hears for another thread."""

    def __init__(self, site: str) -> None:
        super().__init__(site, f"val-{secrets.token_hex(2)}")
        self.heard: SimpleQueue[Delivery] = SimpleQueue()
        self.lost = False
        """Whether the connection broke meanwhile: what was said then was not heard."""

    def disconnected(self, now_ms: int) -> None:
        """Wait until the link is back."""
        self.lost = True

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Keep it."""
        self.heard.put(delivery)
        return ()


def from_bus(address: Address, site: str, seconds: float) -> Iterator[Subject]:
    """What passes on the broker at `address` within `seconds`. Raises Trouble when there is no way in."""
    listener = Listener(site)
    with address.client(listener):
        end = monotonic() + seconds
        while (left := end - monotonic()) > 0:
            try:
                heard = listener.heard.get(timeout=left)
            except Empty:
                break
            # A broker clears the retain flag of what it passes on at once: only a set flag tells anything.
            yield Subject(
                heard.topic, heard.payload, topic=heard.topic, retain=heard.retain or None, qos=heard.qos
            )
        if listener.lost:
            raise Trouble(
                "the connection to the broker broke while it was listened to: what was said meanwhile was not heard",
                where=address.name,
                fix="Listen again; what was heard was judged",
            )
