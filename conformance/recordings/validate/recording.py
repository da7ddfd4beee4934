"""A recording judged in one pass: each message by itself, and all of them together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from conformance.oracle.bus_judge import BusJudge
from conformance.recordings.message_summary import MOST_EXPLAINED
from conformance.recordings.validate.subject import Judgement, Subject, judge
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage
from protocol.rules import Breach
from protocol.site import Site
from protocol.specification import specification
from protocol.validation import is_newer


class Check:
    """Gives what is wrong, in the order in which it shows, and counts the messages."""

    def __init__(self, where: str, site: Site | None = None) -> None:
        """`where` names the recording; with a site the rules know reach and heights, and the judge every node."""
        self.messages = 0
        self._where = where
        self._reader = BulkReader(MOST_EXPLAINED)
        self._watch = BusJudge(site, self._reader)

    def run(self, items: Iterable[Item]) -> Iterator[Judgement | Breach]:
        """Judge all items."""
        for item in items:
            if isinstance(item, RecordedMessage):
                self.messages += 1
                explain = self._reader.explains
                reading = self._reader.read(item.topic, item.payload)
                topic = self._reader.topic(item.topic)
                flags_fit = topic is not None and self._flags_fit(topic.message, item)
                breaches = self._watch.take(item, reading)
                if reading.findings or not flags_fit:
                    newer = topic is not None and is_newer(self._watch.minors.get(topic.node))
                    judgement = judge(self._subject(item), explain=explain, newer=newer)
                    if not judgement.right:
                        yield judgement
                yield from breaches
            else:
                yield from self._watch.take(item)

    @property
    def newer(self) -> dict[str, int]:
        """The participants that say a minor version which is not known here, with that."""
        return {name: minor for name, minor in self._watch.minors.items() if is_newer(minor)}

    def _flags_fit(self, message: str, item: RecordedMessage) -> bool:
        rule = specification().topics[message]
        return (not item.retain or rule.retain) and item.qos in rule.qos

    def _subject(self, item: RecordedMessage) -> Subject:
        place = f"{self._where}, message {self.messages}, {item.at_us / 1e6:.3f} s, {item.topic}"
        # A broker clears the retain flag of what it passes on at once: only a set flag tells anything.
        return Subject(
            place, item.payload, topic=item.topic or "''", retain=item.retain or None, qos=item.qos
        )
