"""An order of the tester's on its way, and the answer to an ask."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.fields import Fields
from protocol.specification import STATE_OF_ROLE


@dataclass(frozen=True, slots=True)
class SentOrder:
    """An order on its way: its body, and the number of the newest trace before it was sent."""

    body: Mapping[str, Any]
    before: int

    @property
    def id(self) -> int:
        """Its order id."""
        return int(self.body["id"])

    @property
    def told_under(self) -> int:
        """The id that its reports carry: in the answer to a cancel that of the job it names [ORD-17]."""
        return int(self.body.get("ref", self.body["id"]))

    @property
    def act(self) -> str:
        """Its act."""
        return str(self.body["act"])


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to an ask: the report that carries its token, and the state messages that came before it."""

    report: Message
    states: Mapping[str, Message]

    @property
    def mark(self) -> int:
        """The mark in the report."""
        return int(self.report.body["mark"])

    @property
    def boot(self) -> int:
        """The boot in the report."""
        return int(self.report.body["boot"])

    def body(self, name: str) -> Fields:
        """One of the state messages; empty where it did not come. A field that is not there raises Unclear."""
        return Fields(name, self.states[name].body if name in self.states else {})

    @property
    def starts(self) -> int | None:
        """How often a motor was switched on, where the node says it [BEN-03]."""
        starts = self.body("node-status").get("starts")
        return None if starts is None else int(starts)

    @property
    def role_state(self) -> Fields:
        """The state message of the node's first role: job, held and holds stand in each."""
        said = (name for name in STATE_OF_ROLE.values() if name in self.states)
        return self.body(next(said, "state message"))

    @property
    def job(self) -> tuple[int | None, str]:
        """Id and state of the current or last job; (None, '') where there was none in this boot."""
        return self.role_state.get("job"), str(self.role_state.get("job_state", ""))
