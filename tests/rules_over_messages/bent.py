"""A good run of harlow-basin, and ways to bend it: whatever a test changes is all that is wrong with it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from examples.yard_on_virtual_time import run
from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.recording import EventKind, Item, RecordedEnd, RecordedEvent, RecordedMessage, RecordingReader
from protocol.rules import Breach, watch
from protocol.site import Encoding
from protocol.site_file import scenario

SITE = scenario()


@dataclass(slots=True)
class Said:
    """One message, open to change."""

    at_us: int
    node: str
    message: str
    place: str
    body: dict[str, Any]
    encoding: Encoding

    def item(self) -> RecordedMessage:
        """As it would be recorded."""
        place = f"/{self.place}" if self.place else ""
        topic = f"yw1/{SITE.name}/{self.node}/{self.message}{place}"
        payload = encode(self.message, self.body, self.encoding)
        return RecordedMessage(self.at_us, topic, payload, 1, retain=False, dup=False)


@dataclass(slots=True)
class Tale:
    """Everything that was said, in order."""

    said: list[Said] = field(default_factory=list)

    def where(self, node: str, message: str, **fields: Any) -> Iterator[Said]:
        """Messages of a node whose body has these fields."""
        return (
            one
            for one in self.said
            if one.node == node
            and one.message == message
            and all(one.body.get(name) == value for name, value in fields.items())
        )

    def first(self, node: str, message: str, **fields: Any) -> Said:
        """The first of them."""
        return next(self.where(node, message, **fields))

    def last(self, node: str, message: str, **fields: Any) -> Said:
        """The last of them."""
        return list(self.where(node, message, **fields))[-1]

    def after(self, one: Said, **changes: Any) -> Said:
        """Say a message once more right behind itself, changed; counts go on as they should."""
        again = copy.deepcopy(one)
        again.body.update(changes)
        again.at_us += 1000
        self.said.insert(self.said.index(one) + 1, again)
        self.renumber(one.node)
        return again

    def drop(self, unwanted: Callable[[Said], bool]) -> None:
        """Leave messages out as if they had never been said."""
        touched = {one.node for one in self.said if unwanted(one)}
        self.said = [one for one in self.said if not unwanted(one)]
        for node in touched:
            self.renumber(node)

    def renumber(self, node: str) -> None:
        """Give every topic of a node a seq without gap."""
        seqs: dict[tuple[str, str], int] = {}
        for one in self.said:
            if one.node == node and "seq" in one.body:
                key = (one.message, one.place)
                seqs[key] = one.body["seq"] = seqs.get(key, one.body["seq"] - 1) + 1

    def items(self) -> list[Item]:
        """As a recording."""
        end = self.said[-1].at_us
        start = RecordedEvent(0, EventKind.CONNECTED, "")
        return [start, *(one.item() for one in self.said), RecordedEnd(end, len(self.said))]

    def breaches(self, *, site: bool = True) -> list[Breach]:
        """What the rules find, notes left out."""
        return [one for one in watch(self.items(), SITE if site else None) if not one.note]

    def broken(self, *, site: bool = True) -> set[str]:
        """The requirements that are found broken."""
        return {one.requirement for one in self.breaches(site=site)}


@cache
def _recorded() -> tuple[RecordedMessage, ...]:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "good.ywrec"
        run(path, seed=4)
        with path.open("rb") as file:
            return tuple(item for item in RecordingReader(file) if isinstance(item, RecordedMessage))


def good_tale() -> Tale:
    """A good run, a fresh copy each time."""
    reader = BulkReader()
    tale = Tale()
    for item in _recorded():
        topic, reading = reader.topic(item.topic), reader.read(item.topic, item.payload)
        assert topic is not None
        assert reading.body is not None
        assert reading.encoding is not None
        body = copy.deepcopy(reading.body)
        tale.said.append(Said(item.at_us, topic.node, topic.message, topic.place, body, reading.encoding))
    return tale
