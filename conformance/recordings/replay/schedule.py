"""What a replay would say, known before a word of it is said: which nodes it orders about, and how."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from conformance.recordings.replay.presence import ENCODINGS
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage
from protocol.site import Encoding
from protocol.specification import specification
from protocol.trouble import Trouble

UNREADABLE = "orders that are not valid"


@dataclass(frozen=True, slots=True)
class Selection:
    """Which messages are said again; retained ones of the recording's start are of a time before it."""

    nodes: frozenset[str] | None = None
    """Only what these nodes say, so that none of them is nothing; None for everybody."""
    supervisor: bool = False
    """Only orders and the supervisor's own messages."""

    def of(self, items: Iterable[Item]) -> Iterator[RecordedMessage]:
        """The messages of a recording that belong to this part."""
        reader = BulkReader()
        supervisors: set[str] = set()
        for item in items:
            if not isinstance(item, RecordedMessage) or item.retain:
                continue
            topic = reader.topic(item.topic)
            if topic is None:
                continue
            if topic.message == "yard-map":
                supervisors.add(topic.node)
            elif topic.message == "node-status" and topic.node not in supervisors:
                body = reader.decode(item.topic, item.payload) or {}
                roles = body.get("roles")
                if isinstance(roles, list) and "supervisor" in roles:
                    supervisors.add(topic.node)
            of_supervisor = topic.message == "job-order" or topic.node in supervisors
            if self.supervisor and not of_supervisor:
                continue
            if self.nodes is not None and (topic.message == "job-order" or topic.node not in self.nodes):
                continue
            yield item


@dataclass(slots=True)
class Schedule:
    """What all messages of a part come to."""

    messages: int = 0
    site: str = ""
    orders: dict[str, Counter[str]] = field(default_factory=dict)
    """By the node that is ordered: acts, and how often each."""
    speaks_as: set[str] = field(default_factory=set)
    """Nodes in whose name something is said."""
    reads: dict[str, tuple[Encoding, ...]] = field(default_factory=dict)
    """The encodings that a node of the recording reads, by its own word or by those of its orders."""
    _reader: BulkReader = field(default_factory=BulkReader)

    def add(self, item: RecordedMessage) -> None:
        """Take one message into account. Raises Trouble for one of a second site."""
        topic = self._reader.topic(item.topic)
        if topic is None:
            return
        self.messages += 1
        self.site = self.site or topic.site
        if topic.site != self.site:
            what = f"the recording is of more than one site: {self.site} and {topic.site}"
            raise Trouble(what, fix="Record one site at a time: 'yardwire record --site NAME'")
        if topic.message == "job-order":
            act, encoding = self._order(item)
            self.orders.setdefault(topic.node, Counter())[act] += 1
            if encoding is not None:
                self.reads.setdefault(topic.node, (encoding,))
            return
        self.speaks_as.add(topic.node)
        if topic.message == "node-status":
            body = self._reader.read(item.topic, item.payload).body or {}
            if body.get("reads") in ENCODINGS:
                self.reads[topic.node] = ENCODINGS[body["reads"]]

    def covers(self, item: RecordedMessage) -> bool:
        """Whether a message is one that was taken into account: the file may be another one by now."""
        topic = self._reader.topic(item.topic)
        if topic is None or topic.site != self.site:
            return False
        if topic.message == "job-order":
            return self._order(item)[0] in self.orders.get(topic.node, ())
        return topic.node in self.speaks_as

    @property
    def nodes(self) -> set[str]:
        """Every node that is ordered or spoken for."""
        return (self.speaks_as | set(self.orders)) - {specification().everyone}

    @property
    def moving(self) -> dict[str, Counter[str]]:
        """The orders that need a yes: all but those to hold, which are never asked back."""
        rest = {node: Counter(acts) for node, acts in self.orders.items()}
        for acts in rest.values():
            acts.pop("hold", None)
        return {node: acts for node, acts in rest.items() if acts}

    @property
    def only_holds(self) -> bool:
        """Whether nothing but holds is said, which no gate may keep back."""
        return not self.moving and not self.speaks_as

    def told(self) -> list[str]:
        """The orders in words, a line for each node."""
        return [
            f"  {node}: " + ", ".join(f"{number} {act}" for act, number in sorted(acts.items()))
            for node, acts in sorted(self.moving.items())
        ]

    def _order(self, item: RecordedMessage) -> tuple[str, Encoding | None]:
        # What breaks a rule is called unreadable: a board may take from it what it likes.
        reading = self._reader.read(item.topic, item.payload)
        act = reading.body["act"] if reading.body is not None and reading.valid else UNREADABLE
        return act, reading.encoding


def schedule_of(messages: Iterable[RecordedMessage]) -> Schedule:
    """What these messages come to. Raises Trouble for messages of more than one site."""
    schedule = Schedule()
    for item in messages:
        schedule.add(item)
    return schedule
