"""A `Yard` that the bus's thread feeds and the server's thread reads."""

from __future__ import annotations

import threading
from collections.abc import Callable

from conformance.page.model.yard import Model, Yard
from conformance.recordings.trend.live import LiveTrend
from protocol.recording import RecordedEvent, RecordedMessage
from protocol.site import Site


class LivePage:
    """Locked around every call; `clock` gives microseconds on the clock of the messages' times."""

    def __init__(
        self, site: Site, source: str, clock: Callable[[], int], trend: LiveTrend | None = None
    ) -> None:
        """`source` is where the bus is, as it may be shown."""
        self.site = site
        self.source = source
        self.clock = clock
        self._yard = Yard(site, trend)
        self.ground = self._yard.ground
        self._lock = threading.Lock()

    def take(self, item: RecordedMessage | RecordedEvent) -> None:
        """Take what was heard, on any thread."""
        with self._lock:
            self._yard.take(item)

    def model(self) -> Model:
        """The model of now, on any thread."""
        with self._lock:
            now_us = self.clock()
            self._yard.look(now_us)
            return self._yard.model(now_us)
