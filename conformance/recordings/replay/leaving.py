"""The end of a replay: whoever it spoke for and left 'on' is said to be off, for nobody is there any more."""

from __future__ import annotations

from typing import Any

from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding


class Leaving:
    """Keeps the newest node-status of each node that was published."""

    def __init__(self) -> None:
        self._reader = BulkReader()
        self._on: dict[str, tuple[str, dict[str, Any], Encoding]] = {}

    def said(self, publication: Publication) -> None:
        """Take what goes out."""
        topic = self._reader.topic(publication.topic)
        if topic is None or topic.message != "node-status":
            return
        reading = self._reader.read(publication.topic, publication.payload)
        if reading.body is None or reading.encoding is None or reading.findings:
            return
        if reading.body["state"] == "on":
            self._on[publication.topic] = topic.node, dict(reading.body), reading.encoding
        else:
            self._on.pop(publication.topic, None)

    @property
    def nodes(self) -> list[str]:
        """Who said last that it is on."""
        return sorted(node for node, _, _ in self._on.values())

    def publications(self) -> list[Publication]:
        """What each of them would have left as its will [LNK-04]."""
        return [
            Publication(
                topic,
                encode("node-status", {"boot": body["boot"], "link": body["link"], "state": "off"}, encoding),
                1,
                retain=True,
            )
            for topic, (_, body, encoding) in self._on.items()
        ]
