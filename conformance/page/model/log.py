"""The last messages with their verdicts, and the last things that were wrong."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from protocol.finding import Finding
from protocol.rules.received import Breach

LINES_KEPT = 60
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
        self.wrong: deque[Wrong] = deque(maxlen=FAULTS_KEPT)
        self._count = 0

    def message(self, line: LogLine, findings: Sequence[Finding]) -> None:
        """Keep a message and what its reading found."""
        self.lines.append(line)
        for found in findings:
            self._keep(
                line.number, line.at_us, line.node, line.message, found.requirement, found.what, found.where,
                found.fix,
            )  # fmt: skip

    def breach(self, breach: Breach, message: str) -> None:
        """Keep what messages break together; `message` is the one at which it showed, '' for none."""
        self._keep(breach.number, breach.at_us, breach.node, message, breach.requirement, breach.what)

    def _keep(
        self, line: int, at_us: int, node: str, message: str, requirement: str, what: str, where: str = "",
        fix: str = "",
    ) -> None:  # fmt: skip
        self._count += 1
        self.wrong.append(Wrong(self._count, line, at_us, node, message, requirement, what, where, fix))
