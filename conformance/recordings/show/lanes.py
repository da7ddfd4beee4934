"""Orders and reports as arrows between lanes, a lane a node, for the terminal; nothing of what is said is cut."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from conformance.recordings.message_summary import MessageSummary

TIME = 11
WIDEST = 9
"""Columns of a lane, so that the longest name of a node has room above it."""
NARROWEST = 3
LEAST_WORDS = 30
"""Columns that are left for what is said, as long as the lanes can be narrower."""


class Lanes:
    """Draws `width` columns: the second, a lane a node in the order of their names, what was said beside them."""

    def __init__(self, nodes: Sequence[str], width: int) -> None:
        """`nodes` are all that speak or are spoken to; the supervisor stands first."""
        self._nodes = list(nodes)
        room = (width - TIME - LEAST_WORDS) // max(len(nodes), 1)
        self._step = max(NARROWEST, min(WIDEST, room))
        self._words = max(LEAST_WORDS, width - TIME - self._step * len(nodes) - 1)

    def heading(self) -> Iterator[str]:
        """The names above the lanes; numbers where the lanes are too narrow, and who has which."""
        named = all(len(name) < self._step for name in self._nodes)
        labels = self._nodes if named else [str(number) for number, _ in enumerate(self._nodes, 1)]
        if not named:
            legend = "  ".join(f"{number} {name}" for number, name in enumerate(self._nodes, 1))
            yield from textwrap.wrap(legend, TIME + self._step * len(self._nodes) + self._words)
        yield (f"{'s':>9}  " + "".join(f"{label:<{self._step}}" for label in labels)).rstrip()

    def lines(self, messages: Iterable[MessageSummary]) -> Iterator[str]:
        """One line a message, and more where what it says is longer."""
        for message in messages:
            drawn = "".join(self._drawn(message))
            at = f"{message.at_ms / 1000:9.3f}  "
            first, *others = textwrap.wrap(self._told(message), self._words, break_on_hyphens=False) or [""]
            yield f"{at}{drawn} {first}".rstrip()
            blank = "".join(self._empty())
            yield from (f"{'':{TIME}}{blank} {more}" for more in others)

    def _told(self, message: MessageSummary) -> str:
        mark = "! " if message.findings else ""
        if message.message == "job-order" and message.node not in self._nodes:
            return f"{mark}to {message.node}: {message.words}"
        return mark + message.words

    def _empty(self) -> list[str]:
        return list(("|" + " " * (self._step - 1)) * len(self._nodes))

    def _drawn(self, message: MessageSummary) -> list[str]:
        cells = self._empty()
        place = {name: column * self._step for column, name in enumerate(self._nodes)}
        if message.message == "job-order":
            begin, end = place.get(message.speaker), place.get(message.node)
            begin = 0 if begin is None else begin
            end = len(cells) - 1 if end is None else end  # It is for all of them.
        elif message.message == "job-report":
            begin, end = place[message.node], 0
        else:
            if message.speaker in place:
                cells[place[message.speaker]] = "*"
            return cells
        low, high = sorted((begin, end))
        cells[low + 1 : high] = "-" * (high - low - 1)
        cells[begin] = "o"
        cells[end] = ">" if end > begin else "<"
        return cells


def nodes_of(messages: Iterable[MessageSummary]) -> list[str]:
    """Who speaks or is spoken to, the supervisor (who speaks orders) first."""
    supervisors: set[str] = set()
    others: set[str] = set()
    for message in messages:
        if message.message == "job-order" and message.speaker:
            supervisors.add(message.speaker)
        if message.node and message.node != "all":
            others.add(message.node)
    return [*(sorted(supervisors) or ["-"]), *sorted(others - supervisors)]
