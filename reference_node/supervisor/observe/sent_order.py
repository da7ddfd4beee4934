"""An order that was sent, as its supervisor sees it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from protocol.specification import specification
from protocol.state_machine import row_under

OUTCOME_OPEN = frozenset({"stale", "wrong-boot"})
"""Reasons of a refusal that do not say that nothing moved [ORD-20]."""


@dataclass(slots=True)
class SentOrder:
    """One order with what is known of it. States and transitions are those of the table `order_sent`."""

    body: Mapping[str, Any]
    sent_ms: int
    """When it was last put on the bus."""
    state: str = "open"
    reason: str = ""
    step: str = ""
    load: str = ""
    """What the spreader or deck holds by the newest report: none, box, unsure, or '' where none said it."""
    news_ms: int = 0
    """When the newest report about it came; before the first, when it was given."""

    @property
    def id(self) -> int:
        """The order's id."""
        return int(self.body["id"])

    @property
    def boot(self) -> int:
        """The boot of the node that the order is meant for."""
        return int(self.body["boot"])

    @property
    def act(self) -> str:
        """What it asks for."""
        return str(self.body["act"])

    @property
    def is_job(self) -> bool:
        """Whether it moves something."""
        return self.act in specification().jobs

    @property
    def is_open(self) -> bool:
        """Whether its outcome is still to come."""
        return self.state not in specification().tables["order_sent"].final

    def go(self, event: str, guard: str = "") -> bool:
        """Take the transition of the table for `event`; False, and nothing changed, where there is none."""
        row = row_under(specification().tables["order_sent"], self.state, event, guard)
        if row is not None:
            self.state = row.next
        return row is not None

    def hear(self, report: Mapping[str, Any], outcome_open: bool, now_ms: int) -> bool:
        """Take a report about this order; False where the table knows no such step.

        `outcome_open` says of a refusal whether something may have moved all the same.
        """
        state = str(report["state"])
        guard = ("outcome_open" if outcome_open else "nothing_moved") if state == "refused" else ""
        if not self.go(state, guard):
            return False
        self.news_ms = now_ms
        self.reason = str(report.get("reason", ""))
        self.step = str(report.get("step", ""))
        self.load = str(report.get("load", self.load))
        return True
