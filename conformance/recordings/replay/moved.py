"""Whom a replay may have set in motion, for an end in the middle: they are told to hold."""

from __future__ import annotations

from protocol.bulk_reading import BulkReader
from protocol.participant import Publication
from protocol.specification import specification


class Moved:
    """The nodes to which an order went out after which something may move; what cannot be read may be one."""

    def __init__(self) -> None:
        self._reader = BulkReader()
        self._moving = specification().jobs | {"resume"}
        self.nodes: set[str] = set()

    def said(self, publication: Publication) -> None:
        """Take what goes out."""
        topic = self._reader.topic(publication.topic)
        if topic is None or topic.message != "job-order":
            return
        reading = self._reader.read(publication.topic, publication.payload)
        if not reading.valid or reading.body is None or reading.body["act"] in self._moving:
            self.nodes.add(topic.node)
