"""One recording of those of several recorders that shared a bus, in the order in which its messages were heard.

Their clocks differ, by how much the nodes tell: every message says its node's uptime, so the least of (time of receipt
- uptime) in each minute of a node is the same moment to all recorders, but for the quickest way through the net. The
median over nodes and minutes of the differences is the offset; identical messages are kept, as each was said.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median

from conformance.recordings.files import Source
from protocol.bulk_reading import BulkReader
from protocol.counting import COUNT_MODULUS
from protocol.recording import EventKind, Header, Item, RecordedEvent, RecordedMessage
from protocol.trouble import Trouble

SHARED = "shared by "
"""How the source of a recording goes on that has a part of a bus."""
MINUTE_MS = 60_000
WINDOWS_KEPT = 100_000
MIXED_US = 250_000
"""How far the ways through the net may differ: within it messages of a topic are put in the order of their count."""

Window = tuple[str, int, int]
"""Node, boot and minute of its uptime."""


@dataclass(frozen=True, slots=True)
class Offset:
    """How far a recorder's clock is ahead of the first one's, in us; `windows` minutes told it, 0: nothing did."""

    us: int
    windows: int
    scatter_us: int = 0
    """Median distance of a minute's difference from the offset."""


@dataclass(slots=True)
class Merged:
    """What became of it."""

    offsets: list[Offset]
    messages: int = 0
    kept_once: int = 0
    """Retained messages that were given to more than one recorder, beyond the first."""
    put_in_order: int = 0
    """Messages that overtook another one of their topic on their way."""
    notes: list[str] = field(default_factory=list)


def offsets_of(sources: Sequence[Source]) -> list[Offset]:
    """Each recorder's offset to the first. Raises Trouble where a recording cannot be read."""
    found = [_quickest(one) for one in sources]
    offsets = [Offset(0, 0)]
    for other in found[1:]:
        differences = [other[window] - found[0][window] for window in other.keys() & found[0].keys()]
        if not differences:
            offsets.append(Offset(0, 0))
            continue
        middle = round(median(differences))
        scatter = round(median(abs(one - middle) for one in differences))
        offsets.append(Offset(middle, len(differences), scatter))
    return offsets


def _quickest(one: Source) -> dict[Window, int]:
    """The least of (wall clock of receipt - uptime), us, in each minute of each node."""
    began, reader = _began_us(one.header), BulkReader()
    least: dict[Window, int] = {}
    for item in one.items():
        if not isinstance(item, RecordedMessage) or item.retain:
            continue
        body = reader.decode(item.topic, item.payload)
        topic = reader.topic(item.topic)
        if body is None or topic is None or "uptime" not in body or "seq" not in body:
            continue
        window = (topic.node, body["boot"], body["uptime"] // MINUTE_MS)
        since = began + item.at_us - body["uptime"] * 1000
        if since < least.get(window, since + 1) and (window in least or len(least) < WINDOWS_KEPT):
            least[window] = since
    return least


def merged(sources: Sequence[Source]) -> tuple[Header, Iterator[Item], Merged]:
    """Header and items of the one recording, and what became of it once the items are through. Raises Trouble."""
    sites = {one.header.site for one in sources}
    if len(sites) != 1:
        what = f"recordings of {len(sites)} sites: {', '.join(sorted(sites))}"
        raise Trouble(what, fix="Merge those of one site")
    offsets = offsets_of(sources)
    begins = [_began_us(one.header) - offset.us for one, offset in zip(sources, offsets, strict=True)]
    first = min(begins)
    told = Merged(offsets)
    earliest = datetime.fromisoformat(sources[0].header.started)
    started = earliest + timedelta(microseconds=first - _began_us(sources[0].header))
    header = Header(
        sources[0].header.site,
        started.isoformat(),
        f"merged of {len(sources)} recordings",
        sources[0].header.kit,
    )
    streams = [
        _shifted(one, begin - first, place)
        for place, (one, begin) in enumerate(zip(sources, begins, strict=True))
    ]
    items = heapq.merge(*streams, key=lambda pair: (pair[0].at_us, pair[1]))
    return header, _in_order(_once(_connections(items, len(sources)), told), told), told


def _began_us(header: Header) -> int:
    return round(datetime.fromisoformat(header.started).timestamp() * 1_000_000)


Pair = tuple[RecordedMessage | RecordedEvent, int]
"""An item and which recorder's it is."""


def _shifted(one: Source, shift: int, place: int) -> Iterator[Pair]:
    for item in one.items():
        if isinstance(item, RecordedMessage):
            yield item._replace(at_us=item.at_us + shift), place
        elif isinstance(item, RecordedEvent):
            yield RecordedEvent(item.at_us + shift, item.kind, item.text), place


def _connections(items: Iterable[Pair], recorders: int) -> Iterator[Pair]:
    """While one of them hears nothing the others get its part: only where none hears anything is there a gap."""
    up: set[int] = set()
    for item, place in items:
        if isinstance(item, RecordedMessage) or item.kind == EventKind.NOTE:
            yield item, place
            continue
        before = len(up)
        (up.add if item.kind == EventKind.CONNECTED else up.discard)(place)
        text = f"recorder {place + 1} of {recorders}: {item.text}"
        none_hears = bool(before) != bool(up)
        kind = item.kind if none_hears else str(EventKind.NOTE)
        yield RecordedEvent(item.at_us, kind, text if none_hears else f"{item.kind}, {text}"), place


def _once(items: Iterable[Pair], told: Merged) -> Iterator[RecordedMessage | RecordedEvent]:
    """What the broker had kept, as often as it was another word: each recorder was given it."""
    newest: dict[str, bytes] = {}
    for item, _ in items:
        if isinstance(item, RecordedMessage):
            if item.retain and newest.get(item.topic) == item.payload:
                told.kept_once += 1
                continue
            newest[item.topic] = item.payload
        yield item


@dataclass(slots=True)
class _Held:
    """An item that may still change places with a later one of its topic."""

    item: RecordedMessage | RecordedEvent
    count: tuple[int, int] | None
    """Boot and seq."""


class _Sorter:
    """Holds items for a quarter of a second, and gives those of a topic in the order of their count."""

    def __init__(self, told: Merged) -> None:
        self._told = told
        self._reader = BulkReader()
        self._held: deque[_Held] = deque()
        self._of_topic: dict[str, deque[_Held]] = {}

    def add(self, item: RecordedMessage | RecordedEvent) -> Iterator[Item]:
        """Take the next one; gives what waits no longer."""
        while self._held and item.at_us - self._held[0].item.at_us > MIXED_US:
            yield self.first()
        entry = _Held(item, self._count(item))
        if entry.count is not None and isinstance(item, RecordedMessage):
            self._of_topic.setdefault(item.topic, deque()).append(entry)
        self._held.append(entry)

    def rest(self) -> Iterator[Item]:
        """All that still waits."""
        while self._held:
            yield self.first()

    def _count(self, item: RecordedMessage | RecordedEvent) -> tuple[int, int] | None:
        if not isinstance(item, RecordedMessage) or item.retain:
            return None
        body = self._reader.decode(item.topic, item.payload)
        return (body["boot"], body["seq"]) if body is not None and "seq" in body else None

    def first(self) -> RecordedMessage | RecordedEvent:
        """What is due: of the messages of its topic that wait the one that was said first."""
        one = self._held.popleft()
        if not isinstance(one.item, RecordedMessage):
            return one.item
        self._told.messages += 1
        if one.count is None:
            return one.item
        others = self._of_topic[one.item.topic]
        others.popleft()
        earliest = one
        for other in others:
            if _is_before(other.count, earliest.count):
                earliest = other
        return one.item if earliest is one else self._changed(one, earliest)

    def _changed(self, one: _Held, earliest: _Held) -> RecordedMessage:
        """Have two change places; times stay where they are."""
        mine, theirs = one.item, earliest.item
        assert isinstance(mine, RecordedMessage)
        assert isinstance(theirs, RecordedMessage)
        self._told.put_in_order += 1
        earliest.item, earliest.count = mine._replace(at_us=theirs.at_us), one.count
        return theirs._replace(at_us=mine.at_us)


def _in_order(items: Iterable[RecordedMessage | RecordedEvent], told: Merged) -> Iterator[Item]:
    sorter = _Sorter(told)
    for item in items:
        yield from sorter.add(item)
    yield from sorter.rest()


def _is_before(one: tuple[int, int] | None, other: tuple[int, int] | None) -> bool:
    """Whether a message was said before another one of its boot."""
    if one is None or other is None or one[0] != other[0]:
        return False
    ahead = (other[1] - one[1]) % COUNT_MODULUS
    return 0 < ahead < COUNT_MODULUS // 2
