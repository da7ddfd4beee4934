"""A participant that only listens and keeps all that is said under a site's root."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import BinaryIO

from conformance.recordings.site_listener import SiteListener
from protocol.participant import Delivery, Publication
from protocol.recording import EventKind, Header, RecordedEvent, RecordedMessage, RecordingWriter

FLUSH_MS = 500
"""A recorder that is killed loses no more than this."""


class Recorder(SiteListener):
    """Writes what it hears to a file opened without buffer; a `Participant`.

    Where the file takes no more (a full disk) it keeps what it has, says so to `on_trouble` once, and goes on
    counting what it has to leave out.
    """

    def __init__(
        self,
        file: BinaryIO,
        header: Header,
        on_trouble: Callable[[OSError], None],
        client_id: str = "recorder",
    ) -> None:
        """Write the header. Raises OSError."""
        super().__init__(header.site, client_id)
        self._writer = RecordingWriter(file, header)
        self._on_trouble = on_trouble
        self._began_ms: int | None = None
        self._flush_at_ms = 0
        self.trouble: OSError | None = None
        self.lost = 0
        """Messages heard after the file took no more."""

    @property
    def began_ms(self) -> int | None:
        """When the recording's own time was 0, in ms of the clock of all calls; None before anything came."""
        return self._began_ms

    @property
    def messages(self) -> int:
        """Messages handed to the file so far."""
        return self._writer.messages

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """Note it."""
        self._note(now_ms, EventKind.CONNECTED, "")
        return ()

    def disconnected(self, now_ms: int) -> None:
        """Note that there is a gap from here on."""
        self._note(
            now_ms, EventKind.DISCONNECTED, "what was said from here to the next 'connected' is missing"
        )

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Keep it."""
        if self.trouble is not None:
            self.lost += 1
        else:
            self._writer.message(
                RecordedMessage(
                    self._at_us(now_ms),
                    delivery.topic,
                    delivery.payload,
                    delivery.qos,
                    delivery.retain,
                    delivery.dup,
                )
            )
        return ()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Flush what has waited long enough."""
        if now_ms >= self._flush_at_ms:
            self._flush_at_ms = now_ms + FLUSH_MS
            self._guarded(self._writer.flush)
        return ()

    def next_tick(self, now_ms: int) -> int:
        """When to flush next."""
        return max(self._flush_at_ms, now_ms)

    def close(self, now_ms: int) -> None:
        """Write the end mark and the rest."""
        self._guarded(lambda: self._writer.end(self._at_us(now_ms)))

    def _note(self, now_ms: int, kind: EventKind, text: str) -> None:
        self._writer.event(RecordedEvent(self._at_us(now_ms), kind, text))

    def _at_us(self, now_ms: int) -> int:
        if self._began_ms is None:
            self._began_ms = now_ms
        return (now_ms - self._began_ms) * 1000

    def _guarded(self, write: Callable[[], None]) -> None:
        if self.trouble is not None:
            return
        try:
            write()
        except OSError as error:
            self.trouble = error
            self._on_trouble(error)
