"""All rules over one stream of recorded messages; memory does not grow with its length."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from protocol.boots import Boots
from protocol.bulk_reading import BulkReader
from protocol.recording import EventKind, Item, RecordedEvent, RecordedMessage
from protocol.rules.boxes import Boxes
from protocol.rules.counts import Counts
from protocol.rules.jobs import Jobs
from protocol.rules.order_history import OrderHistory
from protocol.rules.orders import Orders
from protocol.rules.received import Breach, ReceivedMessage
from protocol.rules.states import States
from protocol.site import Site
from protocol.specification import specification
from protocol.validation import Reading

Follow = Callable[[ReceivedMessage, RecordedMessage, Reading], None]


class RuleMonitor:
    """Takes items as they come, from a file or a live bus, and gives what they break together.

    With a site more can be judged: which crane reaches where, and how high a slot is. What single messages
    break is `read_publication`'s business and is not told here.
    """

    def __init__(
        self,
        site: Site | None = None,
        reader: BulkReader | None = None,
        follow: Follow = lambda _heard, _item, _reading: None,
    ) -> None:
        """`follow` is told of every message that counts: readable, said now, heard once, of no boot that is past."""
        self._follow = follow
        self._reader = reader or BulkReader()
        self._counts = Counts()
        self._boots = Boots()
        self._history = OrderHistory()
        self._states = States(self._history)
        self._jobs = Jobs(self._history)
        self._orders = Orders(self._history, site)
        self._boxes = Boxes(self._history, site)
        self._number = 0

    def take(self, item: Item, reading: Reading | None = None) -> list[Breach]:
        """Judge the next item; `reading` is that of its payload where the caller has it already.

        Everybody is judged by the minor version that they say.
        """
        if isinstance(item, RecordedMessage):
            return self.binding(self._message(item, reading))
        if isinstance(item, RecordedEvent):
            if item.kind == EventKind.DISCONNECTED:
                self._forget()
            return []
        return self.look(item.at_us)

    @property
    def minors(self) -> Mapping[str, int]:
        """The minor version that each participant says, as far as it was heard."""
        return self._history.minors

    def look(self, at_us: int) -> list[Breach]:
        """Say what has become overdue by `at_us`, for a live bus on which nothing is said."""
        return self.binding(self._overdue(at_us))

    def binding(self, found: list[Breach]) -> list[Breach]:
        """Those of them that bind whom they accuse, by the minor version that it says."""
        return [one for one in found if self._history.binds(one.requirement, one.node)] if found else found

    def _overdue(self, at_us: int) -> list[Breach]:
        found = list(self._counts.look(at_us, self._number))
        found += self._jobs.look(at_us, self._number)
        found += self._orders.look(at_us)
        found += self._boxes.look(at_us, self._number)
        return found

    def _message(self, item: RecordedMessage, reading: Reading | None) -> list[Breach]:
        self._number += 1
        found = self._overdue(item.at_us)
        topic = self._reader.topic(item.topic)
        if topic is None or item.retain:
            return found
        reading = reading or self._reader.read(item.topic, item.payload)
        body = reading.body
        if body is None:
            return found
        heard = ReceivedMessage(self._number, item.at_us, topic.node, topic.message, topic.place, body)
        followed = self._counts.follow(heard, item.payload, found)
        if followed is None:
            return found
        if followed.message == "job-order":
            self._follow(followed, item, reading)
            self._order(followed, found, dup=item.dup)
        elif "boot" not in body or not self._boots.is_late(topic.node, body["boot"], item.at_us):
            found.extend(self._states.hear(followed))
            found.extend(self._jobs.hear(followed))
            found.extend(self._orders.hear(followed))
            found.extend(self._boxes.hear(followed))
            self._history.learn(followed)
            self._follow(followed, item, reading)
        return found

    def _order(self, heard: ReceivedMessage, found: list[Breach], *, dup: bool) -> None:
        if heard.node == specification().everyone:
            return
        known = self._history.enter(heard)
        if dup and known is not None:
            return
        found.extend(self._orders.order(heard, known))
        found.extend(self._boxes.order(heard, known))
        found.extend(self._jobs.order(heard, known))

    def _forget(self) -> None:
        for part in (self._counts, self._history, self._states, self._jobs, self._orders, self._boxes):
            part.forget()


def watch(items: Iterable[Item], site: Site | None = None) -> Iterator[Breach]:
    """Everything that the rules find in a recording, in the order in which it shows."""
    judge = RuleMonitor(site)
    for item in items:
        yield from judge.take(item)
