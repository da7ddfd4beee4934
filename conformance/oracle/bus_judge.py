"""Everything that is judged of a bus by listening: what messages say together, and each node by the one judge.

Two engines stay, for they know different things. The rules (`protocol/rules`) need no site file, judge supervisors and
boxes, and hear that somebody says nothing any more. The judge needs the site file and judges every answer and every
state of a node by all that was sent to it. What both see is told once; that they agree is tested.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from conformance.oracle.listener import Listener
from protocol.bulk_reading import BulkReader
from protocol.recording import EventKind, Item, RecordedEvent, RecordedMessage
from protocol.rules import Breach, RuleMonitor
from protocol.site import Site
from protocol.validation import Reading

TOLD_US = 15_000_000
"""For so long a requirement that a node broke is not told of it again by the other engine."""


class BusJudge:
    """Takes items as they come, from a file or a live bus. Without a site the rules judge alone."""

    def __init__(self, site: Site | None = None, reader: BulkReader | None = None) -> None:
        self._listener = None if site is None else Listener(site)
        follow = (lambda *_: None) if self._listener is None else self._listener.take
        self._rules = RuleMonitor(site, reader, follow)
        self._told_us: dict[tuple[str, str], int] = {}

    def take(self, item: Item, reading: Reading | None = None) -> list[Breach]:
        """Judge the next item; `reading` is that of its payload where the caller has it already."""
        found = self._rules.take(item, reading)
        if self._listener is None:
            return found
        if isinstance(item, RecordedMessage):
            return self._joined(found, self._listener.look(item.at_us))
        if isinstance(item, RecordedEvent):
            if item.kind == EventKind.DISCONNECTED:
                self._listener.forget()
            return found
        return self._joined(found, self._listener.end(item.at_us))

    def look(self, at_us: int) -> list[Breach]:
        """Say what has become overdue by `at_us`, for a live bus on which nothing is said."""
        found = self._rules.look(at_us)
        return found if self._listener is None else self._joined(found, self._listener.look(at_us))

    @property
    def minors(self) -> Mapping[str, int]:
        """The minor version that each participant says, as far as it was heard."""
        return self._rules.minors

    @property
    def judged(self) -> Mapping[str, int]:
        """How often the judge could judge each requirement of the nodes."""
        return {} if self._listener is None else self._listener.judged

    def _joined(self, by_rules: list[Breach], by_judge: list[Breach]) -> list[Breach]:
        for breach in by_rules:
            if not breach.note:
                self._told_us[breach.node, breach.requirement] = breach.at_us
        if not by_judge:
            return by_rules
        new = [one for one in self._rules.binding(by_judge) if not self._told_lately(one)]
        return by_rules + new

    def _told_lately(self, breach: Breach) -> bool:
        told_us = self._told_us.get((breach.node, breach.requirement))
        return told_us is not None and abs(breach.at_us - told_us) < TOLD_US


def judged(items: Iterable[Item], site: Site | None = None) -> Iterator[Breach]:
    """Everything that is found in a recording, in the order in which it shows."""
    judge = BusJudge(site)
    for item in items:
        yield from judge.take(item)
