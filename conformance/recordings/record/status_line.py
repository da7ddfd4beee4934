"""The one line that a recorder shows while it works."""

from __future__ import annotations

from collections.abc import Callable

from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage

JUDGED_A_SECOND = 2000
"""Messages judged each second at most: a live line must not cost the recording a message."""

TOPICS_KEPT = 10_000


class StatusLine:
    """Counts what is recorded; shows rate, nodes seen, retained and invalid messages once a second."""

    def __init__(self, show: Callable[[str], object] | None) -> None:
        """`show` gets each new line; None shows nothing and only counts."""
        self._show = show
        self._reader = BulkReader(explained=0)
        self._next_us = 1_000_000
        self._before = 0
        self._budget = JUDGED_A_SECOND
        self._nodes: dict[str, str] = {}
        self.disk = ""
        """When the disk will be full, where that is known."""
        self.messages = self.retained = self.judged = self.invalid = 0

    @property
    def nodes(self) -> list[str]:
        """Names of the nodes heard."""
        return sorted({node for node in self._nodes.values() if node})

    def hear(self, item: RecordedMessage) -> None:
        """Count one message."""
        self.messages += 1
        if item.retain:
            self.retained += 1
        if item.topic not in self._nodes:
            self._meet(item.topic)
        if self._budget:
            self._judge(item)

    def _meet(self, text: str) -> None:
        if len(self._nodes) < TOPICS_KEPT:
            topic = self._reader.topic(text)
            self._nodes[text] = topic.node if topic and topic.message != "job-order" else ""

    def _judge(self, item: RecordedMessage) -> None:
        self._budget -= 1
        self.judged += 1
        self.invalid += bool(self._reader.read(item.topic, item.payload).findings)

    def pause(self, now_us: int) -> None:
        """Show a new line if a second has passed."""
        if now_us < self._next_us:
            return
        rate = (self.messages - self._before) / ((now_us - self._next_us) / 1e6 + 1)
        self._before, self._budget = self.messages, JUDGED_A_SECOND
        self._next_us = now_us + 1_000_000
        if self._show is not None:
            self._show(
                f"{now_us // 1_000_000:>5} s  {self.summary()}, {rate:,.0f}/s{self.disk and '; '}{self.disk}"
            )

    def summary(self) -> str:
        """The counts in words."""
        of = "" if self.judged == self.messages else f" of {self.judged:,} judged"
        return (
            f"{self.messages:,} messages ({self.retained:,} retained), "
            f"{len(self.nodes)} nodes, {self.invalid:,} invalid{of}"
        )
