"""What is different in a message to the one before it on its topic: what a person looks for among repeated states."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from protocol.foreign_text import one_line

ALWAYS = frozenset({"seq", "uptime"})
"""Fields that are different in every message."""
EVENTS = frozenset({"job-order"})
"""Messages that say something new each time."""
NOTHING = "as before"
NONE = "-"
MOST_TOPICS = 10_000


class Changes:
    """Follows every topic; memory is bounded by the number of topics."""

    def __init__(self) -> None:
        self._before: dict[str, dict[str, object]] = {}

    def words(self, topic: str, message: str, body: Mapping[str, Any], told: str) -> str:
        """The fields that are different, as 'mode ready > moving'; `told` where there is nothing to compare with."""
        now = dict(flat(body))
        before = self._before.get(topic)
        if before is None and len(self._before) >= MOST_TOPICS:
            self._before.clear()
        self._before[topic] = now
        if before is None or message in EVENTS or not body:
            return told
        parts = [
            f"{name} {_shown(before.get(name, NONE))} > {_shown(now.get(name, NONE))}"
            for name in dict.fromkeys((*now, *before))
            if before.get(name, NONE) != now.get(name, NONE)
        ]
        return ", ".join(parts) or NOTHING


def flat(body: Mapping[str, Any]) -> Iterator[tuple[str, object]]:
    """Every single value with the path to it, but for what is different each time."""
    for name, value in body.items():
        if name not in ALWAYS:
            yield from _values(name, value)


def _values(path: str, value: object) -> Iterator[tuple[str, object]]:
    if isinstance(value, list | tuple) and value:
        for number, one in enumerate(value):
            yield from _values(f"{path}[{number}]", one)
    elif isinstance(value, Mapping) and value:
        for name, one in value.items():
            yield from _values(f"{path}.{name}", one)
    else:
        yield path, value


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value in ("", None) or value == []:
        return NONE
    return one_line(str(value))
