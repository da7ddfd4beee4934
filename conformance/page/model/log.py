"""The last messages with their verdicts, and the last things that were wrong."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from protocol.finding import Finding
from protocol.rules.received import Breach

LINES_KEPT = 60
OF_A_TOPIC = 30
"""Lines of one node's one message: of what is said seldom there are some, whatever else is said."""
TOPICS_KEPT = 1_500
Chosen = tuple[str, str]
"""Node and message that are looked at; '' for every one."""
FAULTS_KEPT = 30


@dataclass(frozen=True, slots=True)
class LogLine:
    """One message: what it says, and the requirements it breaks; () when it is valid."""

    number: int
    at_us: int
    node: str
    message: str
    words: str
    kept: bool
    broken: tuple[str, ...]
    changed: str = ""
    """What is different to the message before it on its topic."""
    payload: bytes = b""
    body: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that was wrong with one message, or with several of a node together."""

    number: int
    """Of this entry, counted from 1."""
    line: int
    """The message at which it showed."""
    at_us: int
    node: str
    message: str
    requirement: str
    what: str
    where: str = ""
    fix: str = ""


class Log:
    """Bounded: what is older goes."""

    def __init__(self) -> None:
        self.lines: deque[LogLine] = deque(maxlen=LINES_KEPT)
        self._of_topic: dict[Chosen, deque[LogLine]] = {}
        self.wrong: deque[Wrong] = deque(maxlen=FAULTS_KEPT)
        self._count = 0

    def message(self, line: LogLine, findings: Sequence[Finding]) -> None:
        """Keep a message and what its reading found."""
        self.lines.append(line)
        key = (line.node, line.message)
        if key not in self._of_topic and len(self._of_topic) >= TOPICS_KEPT:
            self._of_topic.pop(next(iter(self._of_topic)))
        self._of_topic.setdefault(key, deque(maxlen=OF_A_TOPIC)).append(line)
        for found in findings:
            self._keep(
                line.number, line.at_us, line.node, line.message, found.requirement, found.what, found.where,
                found.fix,
            )  # fmt: skip

    def chosen(self, chosen: Chosen = ("", "")) -> list[LogLine]:
        """The newest lines of a node or message, oldest first."""
        if chosen == ("", ""):
            return list(self.lines)
        node, message = chosen
        found = [
            line
            for (of_node, of_message), lines in self._of_topic.items()
            if node in ("", of_node) and message in ("", of_message)
            for line in lines
        ]
        return sorted(found, key=lambda line: line.number)[-LINES_KEPT:]

    def breach(self, breach: Breach, message: str) -> None:
        """Keep what messages break together; `message` is the one at which it showed, '' for none."""
        self._keep(breach.number, breach.at_us, breach.node, message, breach.requirement, breach.what)

    def _keep(
        self, line: int, at_us: int, node: str, message: str, requirement: str, what: str, where: str = "",
        fix: str = "",
    ) -> None:  # fmt: skip
        self._count += 1
        self.wrong.append(Wrong(self._count, line, at_us, node, message, requirement, what, where, fix))
