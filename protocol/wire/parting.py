"""A participant that has something to say before it leaves on purpose [LNK-16]."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

from protocol.participant import Participant, Publication


@runtime_checkable
class Parting(Protocol):
    """What a participant may have beside the methods of `Participant`."""

    def parting(self, now_ms: int) -> Sequence[Publication]:
        """Return what is to be published before DISCONNECT."""


def parting_of(participant: Participant, now_ms: int) -> Sequence[Publication]:
    """The participant's parting messages; none if it has no `parting`."""
    return participant.parting(now_ms) if isinstance(participant, Parting) else ()
