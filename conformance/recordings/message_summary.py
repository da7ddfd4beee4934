"""Messages of a recording, one by one, summarized in a line for people: memory does not grow with their number."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.recordings.wording import in_words
from protocol.bulk_reading import BulkReader
from protocol.finding import Finding
from protocol.foreign_text import one_line
from protocol.recording import Item, RecordedMessage
from protocol.sizes import topic_and_payload

MOST_EXPLAINED = 300
"""Messages that are not valid and are explained, in one run: more than anybody reads, and each takes a while."""


@dataclass(frozen=True, slots=True)
class MessageSummary:
    """One message, as one line tells it. `node` is whose topic it is, `speaker` who said it ('' if nobody knows)."""

    number: int
    at_ms: int
    node: str
    speaker: str
    message: str
    words: str
    retained: bool
    size: int
    """Topic plus payload, in bytes."""
    encoding: str
    findings: tuple[Finding, ...]
    body: Mapping[str, Any]


class Summarizer:
    """Summarizes messages; knows the supervisor once it has spoken."""

    def __init__(self) -> None:
        self.reader = BulkReader(MOST_EXPLAINED)
        self._supervisor = ""
        self._number = 0

    def summary(self, item: RecordedMessage) -> MessageSummary:
        """The next message of the recording."""
        self._number += 1
        topic = self.reader.topic(item.topic)
        # What a subscriber sees of RETAIN and QoS is the broker's, not the sender's.
        reading = self.reader.read(item.topic, item.payload)
        body = reading.body or {}
        message = topic.message if topic else "?"
        node = topic.node if topic else ""
        if message == "node-status" and "supervisor" in body.get("roles", ()):
            self._supervisor = node
        words = in_words(message, body) if body else item.topic if topic is None else "cannot be read"
        words = one_line(words)
        return MessageSummary(
            number=self._number,
            at_ms=item.at_us // 1000,
            node=node,
            speaker=self._supervisor if message == "job-order" else node,
            message=message,
            words=words,
            retained=item.retain,
            size=topic_and_payload(item.topic, item.payload),
            encoding=str(reading.encoding or ""),
            findings=reading.findings,
            body=body,
        )


def summaries(items: Iterable[Item]) -> Iterator[tuple[RecordedMessage, MessageSummary]]:
    """Every message of a recording with its summary."""
    summarizer = Summarizer()
    for item in items:
        if isinstance(item, RecordedMessage):
            yield item, summarizer.summary(item)
