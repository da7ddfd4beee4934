"""Every message that was ever said in an exploration, by number."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding
from protocol.topics import parse_topic
from protocol.validation import read_message


@dataclass(frozen=True, slots=True)
class Message:
    """One publication, and what it says."""

    publication: Publication
    topic: str
    node: str
    name: str
    body: dict[str, Any]
    tokens: tuple[int, ...]

    def __str__(self) -> str:
        told = (
            "act",
            "state",
            "id",
            "ref",
            "token",
            "step",
            "reason",
            "mode",
            "load",
            "job",
            "job_state",
            "mark",
            "boot",
        )
        body = self.body
        said = ", ".join(f"{key} {body[key]}" for key in told if key in body)
        return (
            f"{self.name} of {self.node} ({said})"
            if self.name != "job-order"
            else f"order to {self.node} ({said})"
        )


class Messages:
    """Numbers messages."""

    def __init__(self) -> None:
        self._number: dict[Publication, int] = {}
        self.all: list[Message] = []
        self._timeless: dict[int, int] = {}

    def number(self, publication: Publication) -> int:
        found = self._number.get(publication)
        if found is None:
            found = self._number[publication] = len(self.all)
            topic = parse_topic(publication.topic)
            reading = read_message(topic.message, publication.payload, closed=False)
            body = dict(reading.body or {})
            tokens = tuple(int(body[key]) for key in ("token", "claimant") if key in body)
            self.all.append(Message(publication, publication.topic, topic.node, topic.message, body, tokens))
        return found

    def timeless(self, number: int, writes: Encoding) -> int:
        """The same message said at uptime 0, which is enough for what a broker keeps: nobody compares that uptime."""
        found = self._timeless.get(number)
        if found is None:
            one = self.all[number]
            payload = encode(one.name, {**one.body, "uptime": 0}, writes)
            found = self._timeless[number] = self.number(replace(one.publication, payload=payload))
        return found

    def __getitem__(self, number: int) -> Message:
        return self.all[number]
