"""Before a supervisor's name is taken: is another one there? What cannot be told counts as one that is there."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Sequence

from conformance.bench.connection.address import Address
from conformance.recordings.replay.presence import NodePresence, Presence, Standing
from conformance.recordings.site_listener import SiteListener
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.trouble import Trouble

LOOK_S = 3.0
"""For what is retained, and for what is said meanwhile. One that has gone says nothing at all: that is asked behind."""


class _Listener(SiteListener):
    def __init__(self, site: str) -> None:
        super().__init__(site, f"msr-{secrets.token_hex(3)}")
        self.presence = Presence()
        self.lost = threading.Event()

    def disconnected(self, now_ms: int) -> None:
        """What was missed meanwhile is not known."""
        self.lost.set()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Note who says what."""
        if delivery.payload:  # An empty one takes a retained message away, and says nothing.
            self.presence.hear(delivery)
        return ()


def require_no_supervisor(site: Site, bus: Address) -> None:
    """Listen, and raise Trouble where another supervisor is there, or may be.

    A supervisor takes no orders, so it cannot be asked. One that is on has left 'on' on the broker; one that has gone
    has left 'off', or its will has. One of which there is no word at all is asked for behind this, by its name: a
    broker lets one client have it.
    """
    listener = _Listener(site.name)
    host = bus.client(listener)
    host.start()
    try:
        end = time.monotonic() + LOOK_S
        while time.monotonic() < end and not listener.lost.is_set():
            host.wait_failed(0.1)
        lost = listener.lost.is_set()
    finally:
        host.stop()
    if lost:
        raise Trouble(
            "the connection was lost while it was listened who is there: another client may have the same name",
            where=bus.name,
            fix="Stop every supervisor, then start again",
        )
    why = who_supervises(site, listener.presence.heard)
    if why:
        raise Trouble(
            f"another supervisor is there, or may be: {why}",
            where=bus.name,
            fix="Stop it, so that it says 'off', then start again",
        )


def who_supervises(site: Site, heard: dict[str, NodePresence]) -> str:
    """Whoever supervises or may do so, in words; '' for nobody."""
    for name, one in heard.items():
        known = site.nodes.get(name)
        may = known.is_supervisor if known is not None else "supervisor" in one.roles or not one.roles
        if (may or "supervisor" in one.roles) and one.standing is not Standing.GONE:
            return f"{name} ({one.why})"
    return ""
