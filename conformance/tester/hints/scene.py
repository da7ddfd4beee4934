"""What a breach was seen in: the log up to the packet that shows it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from conformance.oracle.link_log import Log, Message, Trace
from conformance.suite.verdict import Broken
from protocol.specification import OPEN, STATE_OF_ROLE

CARRIERS = frozenset(STATE_OF_ROLE.values())
"""State messages of a role: each names the job and says whether the node is held."""
FAULT_COUNT = re.compile(r"(?:faults|fault count) (\d+)")
"""A fault count as a finding tells it."""


MOVES_BY_ITSELF = ("seq", "uptime", "memory")


def gist(message: Message) -> dict[str, object]:
    """What a message says, but for what goes on by itself: equal where one only repeats another."""
    return {key: value for key, value in message.body.items() if key not in MOVES_BY_ITSELF}


class Scene:
    """A breach and what had passed by then, newest first where several are given."""

    def __init__(self, broken: Broken, log: Log) -> None:
        self.broken, self.log = broken, log
        self.at = log.end if broken.at is None else broken.at

    # ---- what the finding says

    @property
    def expected(self) -> str:
        """What was expected, in words."""
        return self.broken.expected

    @property
    def seen(self) -> str:
        """What was seen, in words."""
        return self.broken.seen

    @property
    def nothing_came(self) -> bool:
        """Whether what was waited for did not come at all."""
        return self.seen.startswith(("none", "no report", "no such", "no message"))

    # ---- packets

    @property
    def trace(self) -> Trace | None:
        """The packet that shows it."""
        return next((one for one in reversed(self.log.traces) if one.number == self.at), None)

    def of_connection(self, connection: int) -> list[Trace]:
        """The node's packets on a connection, oldest first, those behind the breach too."""
        return [one for one in self.log.traces if one.connection == connection and one.from_node]

    # ---- messages of the node

    @property
    def shown(self) -> Message | None:
        """The node's message that shows it."""
        return next((m for m in self.log.messages if m.number == self.broken.at and m.from_node), None)

    def said(self, name: str = "", before: int | None = None) -> Iterator[Message]:
        """What the node had said by then, one message name or all, newest first."""
        until = self.at if before is None else before - 1
        return (m for m in reversed(list(self.log.sent(name))) if m.number <= until and m.body)

    def carriers(self, before: int | None = None) -> Iterator[Message]:
        """The states of its roles."""
        return (m for m in self.said(before=before) if m.name in CARRIERS)

    @property
    def state(self) -> Mapping[str, Any]:
        """The newest state of a role; empty where it has said none."""
        return next((m.body for m in self.carriers()), {})

    @property
    def job_open(self) -> bool:
        """Whether it last said that a job is open."""
        return self.state.get("job_state") in OPEN

    # ---- orders

    def orders(self) -> Iterator[Message]:
        """Orders that had come by then, those that cannot be read too."""
        return (
            m
            for m in reversed(self.log.messages)
            if not m.from_node and m.name == "job-order" and m.number <= self.at
        )

    @property
    def unread(self) -> Message | None:
        """The newest order that nobody can read."""
        return next((m for m in self.orders() if not m.body), None)

    @property
    def order(self) -> Message | None:
        """The newest order but for the fences behind it."""
        return next((m for m in self.orders() if m.body.get("act") != "ask"), None)

    @property
    def act(self) -> str:
        """What that order asks for."""
        return "" if self.order is None else str(self.order.body.get("act", ""))

    def reports(self, id_: int) -> list[Mapping[str, Any]]:
        """The reports under an id, newest first."""
        return [m.body for m in self.said("job-report") if m.body.get("id") == id_]
