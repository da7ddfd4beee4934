"""The oracle of deadlines: what is refused as late is late by the node's own clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.counting import uptime_difference

Body = Mapping[str, Any]


class Deadlines:
    """Follows the jobs of one boot. Whatever else a node may answer, 'late' can be held against its own uptime."""

    def __init__(self) -> None:
        self._due: dict[tuple[str, int], int | None] = {}
        """Deadline in ms by act and id; None where the same id came with another one too."""

    def clear(self) -> None:
        """A new boot has begun, or the uptime is being set."""
        self._due.clear()

    def came(self, body: Body) -> None:
        """An order came to the node."""
        if "deadline" in body:
            key = body["act"], body["id"]
            other = self._due.get(key, body["deadline"]) != body["deadline"]
            self._due[key] = None if other else body["deadline"]

    def wrongly_late(self, report: Body) -> tuple[str, str]:
        """Requirement and what was seen, where a report refuses with 'late' before the deadline; else two ''.

        The report was said after the order was looked at, so its uptime is no earlier.
        """
        due = self._due.get((report["act"], report.get("id", 0)))
        if report.get("reason") != "late" or due is None:
            return "", ""
        left = uptime_difference(due, report["uptime"])
        if left <= 0:
            return "", ""
        wraps = due < report["uptime"]
        where = ", beyond the wrap of uptime" if wraps else ""
        return "ORD-11" if wraps else "ORD-10", f"refused as late {left} ms before the deadline{where}"
