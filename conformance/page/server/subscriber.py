"""Feeds a page with everything that is said under a site's root, on a thread of its own."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from conformance.bench.connection.address import Address
from conformance.page.server.live_model import LivePage
from conformance.recordings.record.capture import Capture
from conformance.recordings.trend.live import LiveTrend
from protocol.recording import EventKind, RecordedEvent
from protocol.site import Site
from protocol.specification import specification
from protocol.trouble import Trouble

ANSWER_S = 10.0


@contextmanager
def listening(site: Site, address: Address, trend: LiveTrend | None = None) -> Iterator[LivePage]:
    """A page that hears the bus at `address`; a lost connection is made again. Raises Trouble for no way in."""
    capture = Capture(address, f"{specification().root}/{site.name}/#", lambda item: page.take(item))
    page = LivePage(site, address.name, capture.now_us, trend)
    begun = threading.Event()
    troubles: list[BaseException] = []

    def note(at_us: int, kind: EventKind, text: str) -> None:
        page.take(RecordedEvent(at_us, kind, text))
        begun.set()

    def run() -> None:
        try:
            capture.run(note, lambda now_us: None)
        except BaseException as error:
            troubles.append(error)
            if begun.is_set() or not isinstance(error, Trouble):
                raise  # Nobody waits for it any more: it ends the program.
        finally:
            begun.set()

    thread = threading.Thread(target=run, name="page's subscriber", daemon=True)
    thread.start()
    try:
        begun.wait(ANSWER_S)
        if troubles:
            raise troubles[0]
        yield page
    finally:
        capture.stop()
        thread.join()
