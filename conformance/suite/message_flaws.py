"""What is wrong with one message of a sender, as a case tells it."""

from __future__ import annotations

from collections.abc import Iterator

from conformance.oracle.link_log import Message
from conformance.suite.verdict import Broken


def flaws(message: Message) -> Iterator[Broken]:
    """What its sender has broken with a message, by its findings."""
    for finding in message.findings:
        # To its reader a tail makes a payload unreadable [ENC-12]; its sender has broken ENC-01.
        broken = "ENC-01" if finding.requirement == "ENC-12" else finding.requirement
        seen = f"{finding.what} ({finding.where})" if finding.where else finding.what
        yield Broken(broken, finding.fix or "a valid message", seen, message.number)
