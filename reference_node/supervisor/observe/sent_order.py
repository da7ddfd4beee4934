"""An order that was sent, as its supervisor sees it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from protocol.machine_guards import Facts
from protocol.specification import specification
from protocol.state_machine import StateMachine


@dataclass(slots=True)
class SentOrder:
    """One order with what is known of it. States and transitions are those of the table `order_sent`."""

    body: Mapping[str, Any]
    machine: StateMachine = field(repr=False)
    sent_ms: int | None = None
    """When it was last put on the bus; None before the first time."""
    reason: str = ""
    step: str = ""
    load: str = ""
    """What the spreader or deck holds by the newest report: none, box, unsure, or '' where none said it."""
    news_ms: int = 0
    """When the newest report about it came; before the first, when it was given."""
    given_ms: int = 0
    """When it was given."""

    @property
    def state(self) -> str:
        """open, accepted, running, or how it ended: done, failed, cancelled, refused, unknown."""
        return self.machine.state

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
        return self.state not in self.machine.table.final

    def fire(self, event: str, facts: Facts | None = None) -> bool:
        """Take the row of the table for `event`; False, and nothing changed, where it is ignored."""
        return self.machine.fire(event, facts) is not None

    def hear(self, report: Mapping[str, Any], now_ms: int) -> bool:
        """Take a report about this order; False where the table ignores it."""
        if not self.fire(str(report["state"]), {"report": report}):
            return False
        self.news_ms = now_ms
        self.reason = str(report.get("reason", ""))
        self.step = str(report.get("step", ""))
        self.load = str(report.get("load", self.load))
        return True
