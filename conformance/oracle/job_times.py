"""What the times of a node's jobs are held against: the deadline of each, and the end of a depart."""

from __future__ import annotations

from collections import Counter
from collections.abc import Container

from conformance.oracle.leaving_time import LeavingTime
from conformance.oracle.link_log import Message
from conformance.oracle.start_limit import StartLimit, Tell
from protocol.site import NodeSite


class JobTimes:
    """Follows the jobs of one boot. `tell` takes requirement, what was seen, oracle and trace number."""

    def __init__(self, node: NodeSite, tell: Tell, counted: Counter[str]) -> None:
        """`counted` takes how often each requirement was judged."""
        self._start = StartLimit(tell, counted)
        self._leaving = LeavingTime(node.berth.clear_ms if node.berth else 0, tell, counted)

    def new_boot(self) -> None:
        """The node speaks in another boot."""
        self._start.new_boot()
        self._leaving.forget()

    def reconnected(self) -> None:
        """Reports were lost perhaps."""
        self._start.reconnected()
        self._leaving.forget()

    def uptime_set(self) -> None:
        """The uptime is being set."""
        self._start.uptime_set()
        self._leaving.forget()

    def came(self, id_: int, deadline: int) -> None:
        """A job was ordered."""
        self._start.came(id_, deadline)

    def said(self, message: Message, carriers: Container[str]) -> None:
        """Judge what says how a job stands."""
        self._start.said(message, carriers)
        self._leaving.said(message)
