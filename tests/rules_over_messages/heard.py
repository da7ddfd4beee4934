"""What a listener hears, message by message, for the parts of the rules; only what a test says of them is in them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from protocol.rules.boxes import Boxes
from protocol.rules.jobs import Jobs
from protocol.rules.order_history import OrderHistory
from protocol.rules.orders import Orders
from protocol.rules.received import Breach, ReceivedMessage
from protocol.rules.states import States
from protocol.site import Site

BOOT = 7
SECOND = 1_000_000
STATE = {"held": False, "holds": 0}
USUAL: dict[str, dict[str, Any]] = {
    "node-status": {"state": "on", "link": 1},
    "crane-status": STATE | {"mode": "ready", "axes": [[0, 0, True]] * 3, "spreader": "open", "load": "none"},
    "train-arrival": STATE | {"state": "at-rest", "arrival": 4, "reading": 128},
    "shuttle-status": STATE | {"state": "at-place", "stop": 4},
    "fault": {"active": [], "faults": 0},
    "job-report": {"order_boot": BOOT},
}


class Bus:
    """All rules behind the counts; times are in us, and the clocks of nodes go with them from zero."""

    def __init__(self, site: Site | None = None) -> None:
        self.history = OrderHistory()
        self.orders, self.jobs = Orders(self.history, site), Jobs(self.history)
        self.boxes, self.states = Boxes(self.history, site), States(self.history)
        self.now = 10 * SECOND
        self.number = 0
        self.found: list[Breach] = []

    @property
    def uptime(self) -> int:
        """Of every node, in ms."""
        return self.now // 1000

    def _heard(
        self, node: str, message: str, body: dict[str, Any], *, place: str = "", lost: bool = False
    ) -> ReceivedMessage:
        self.number += 1
        return ReceivedMessage(self.number, self.now, node, message, place, body, lost)

    def _told(self, found: Iterable[Breach]) -> list[str]:
        self.found = list(found)
        return [one.requirement + "?" * one.note for one in self.found]

    def order(self, node: str, act: str, **fields: Any) -> list[str]:
        """An order; gives what is told, a note with a question mark."""
        body = {"act": act} | ({} if act in ("ask", "hold") else {"boot": BOOT}) | fields
        heard = self._heard(node, "job-order", body)
        known = self.history.enter(heard)
        return self._told(
            [
                *self.orders.order(heard, known),
                *self.boxes.order(heard, known),
                *self.jobs.order(heard, known),
            ]
        )

    def says(
        self, node: str, message: str, *, lost: bool = False, place: str = "", **fields: Any
    ) -> list[str]:
        """A node's own message."""
        usual = {"boot": BOOT, "uptime": self.uptime} | ({} if message == "fault" else {"mark": 1})
        body = {
            key: value
            for key, value in (usual | USUAL.get(message, {}) | fields).items()
            if value is not None
        }
        heard = self._heard(node, message, body, place=place, lost=lost)
        parts = (self.states, self.jobs, self.orders, self.boxes)
        found = [one for part in parts for one in part.hear(heard)]
        self.history.learn(heard)
        return self._told(found)

    def report(
        self, node: str, act: str, id_: int, state: str, *, lost: bool = False, **more: Any
    ) -> list[str]:
        """A report."""
        return self.says(node, "job-report", lost=lost, act=act, id=id_, state=state, **more)

    def passes(self, us: int) -> list[str]:
        """Time; gives what is overdue then."""
        self.now += us
        found = [*self.jobs.look(self.now, self.number), *self.orders.look(self.now)]
        return self._told([*found, *self.boxes.look(self.now, self.number)])
