"""A `Yard` that the bus's thread feeds and the server's thread reads."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from conformance.page.model.log import Chosen
from conformance.page.model.yard import Model, Yard
from conformance.recordings.trend.live import LiveTrend
from protocol.recording import RecordedEvent, RecordedMessage
from protocol.site import Site

COUNTS_EVERY_MS = 500


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
        self._told: dict[str, tuple[int, dict[str, Any]]] = {}

    def take(self, item: RecordedMessage | RecordedEvent) -> None:
        """Take what was heard, on any thread."""
        with self._lock:
            self._yard.take(item)

    def model(self) -> Model:
        """The model of now, on any thread."""
        with self._lock:
            now_us = self.clock()
            self._yard.look(now_us)
            return self._calm(self._yard.model(now_us, with_lines=False), now_us // 1000)

    def lines(self, chosen: Chosen) -> Model:
        """The last messages of a node or message, on any thread."""
        with self._lock:
            return self._yard.lines(chosen)

    def _calm(self, model: Model, now_ms: int) -> Model:
        """Counts that grow with every message are told twice a second: they would be most of what is sent."""
        for key, entry in model.items():
            if not key.startswith("node/"):
                continue
            told_ms, told = self._told.get(key, (0, {}))
            if now_ms - told_ms < COUNTS_EVERY_MS and {**told, **_counts(entry)} == entry:
                model[key] = told
            elif told != entry:
                self._told[key] = (now_ms, entry)
        return model


def _counts(entry: dict[str, Any]) -> dict[str, Any]:
    return {name: entry[name] for name in ("heard", "messages")}
