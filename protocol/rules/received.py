"""What a rule gets and what it says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Body = Mapping[str, Any]
NOTHING: Body = {}


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule over many messages that was broken, or with `note` something worth knowing that breaks none."""

    requirement: str
    what: str
    at_us: int
    number: int
    """The message at which it showed, counted from 1."""
    node: str
    since: int | None = None
    """The earlier message that it rests on."""
    note: bool = False

    def __str__(self) -> str:
        since = f" (see message {self.since})" if self.since is not None else ""
        return f"{self.requirement} {self.node}: {self.what}{since}"


@dataclass(frozen=True, slots=True)
class ReceivedMessage:
    """One message that can be read, said now and not kept by the broker, heard for the first time."""

    number: int
    at_us: int
    node: str
    """Whose topic it is."""
    message: str
    place: str
    body: Body
    lost: bool = False
    """Messages of this topic before it are missing, or there are none: nothing follows from the last."""
    first: bool = False
    """No message of this topic was heard before."""
    new_boot: bool = False
    """The node was in another boot when it last spoke on this topic."""

    def breach(self, requirement: str, what: str, *, since: int | None = None, note: bool = False) -> Breach:
        """A breach that shows at this message."""
        return Breach(requirement, what, self.at_us, self.number, self.node, since, note)
