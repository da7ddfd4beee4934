"""One message to be judged, and the judgement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from protocol.finding import Finding
from protocol.topics import parse_topic
from protocol.validation import Reading, of_newer_minor, read_message, read_publication


@dataclass(frozen=True, slots=True)
class Expected:
    """What a vector says of itself: valid with this body, or refused for this requirement."""

    valid: bool
    requirement: str = ""
    body: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Subject:
    """A payload with what is known of how it was sent: by its topic, or else by the name of its message."""

    where: str
    payload: bytes
    message: str = ""
    topic: str = ""
    retain: bool | None = None
    qos: int | None = None
    expected: Expected | None = None

    def read(self, *, explain: bool = True) -> Reading:
        """Read it as a sender's message; `explain` as in `read_message`."""
        if self.topic:
            return read_publication(
                self.topic, self.payload, retain=self.retain, qos=self.qos, explain=explain
            )
        return read_message(self.message, self.payload, closed=True, explain=explain)


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether a message is right: valid, or for a vector what the vector says of itself."""

    subject: Subject
    right: bool
    findings: tuple[Finding, ...]
    surprise: str = ""
    """How a vector differs from what it says of itself."""


def judge(subject: Subject, *, explain: bool = True, newer: bool = False) -> Judgement:
    """Read the message and compare with what is expected of it.

    `newer`: its sender says a minor version that is not known here, and may have fields that are not.
    """
    reading = subject.read(explain=explain)
    if newer and reading.findings and subject.topic:
        act = (reading.body or {}).get("act")
        name = parse_topic(subject.topic).message
        reading = reading._replace(findings=of_newer_minor(name, act, reading.findings))
    expected = subject.expected
    if expected is None:
        return Judgement(subject, reading.valid, reading.findings)
    surprise = _surprise(expected, reading)
    return Judgement(subject, not surprise, reading.findings if surprise else (), surprise)


def _surprise(expected: Expected, reading: Reading) -> str:
    broken = [finding.requirement for finding in reading.findings]
    if expected.valid:
        if broken:
            return "the vector says that it is valid, but something was found"
        if expected.body is not None and expected.body != reading.body:
            return f"the vector says that the body is {expected.body}, but it is {reading.body}"
        return ""
    if not broken:
        return f"the vector says that it breaks {expected.requirement}, but nothing was found"
    if expected.requirement not in broken:
        return f"the vector says that it breaks {expected.requirement}, but that was not found"
    return ""
