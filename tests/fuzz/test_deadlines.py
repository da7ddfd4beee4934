"""When 'late' is a lie: the deadline and the node's own uptime, as signed 32-bit difference [ORD-10, ORD-11]."""

from __future__ import annotations

import pytest

from conformance.oracle.deadlines import Deadlines

TOP = 2**32
"""Where uptime wraps: 49.7 days of milliseconds."""


def judged(due: int, uptime: int, reason: str = "late") -> str:
    deadlines = Deadlines()
    deadlines.came({"act": "run", "id": 7, "deadline": due})
    return deadlines.wrongly_late({"act": "run", "id": 7, "uptime": uptime, "reason": reason})[0]


@pytest.mark.parametrize(
    ("due", "uptime", "requirement"),
    [
        (1000, 900, "ORD-10"),
        (1000, 1000, ""),
        (1000, 1001, ""),
        (500, TOP - 500, "ORD-11"),
        (TOP - 500, 500, ""),
        (900 + 2**31 - 1, 900, "ORD-10"),
        (900 + 2**31, 900, ""),
    ],
)
def test_late_before_the_deadline_is_wrong(due: int, uptime: int, requirement: str) -> None:
    assert judged(due, uptime) == requirement
    assert judged(due, uptime, "busy") == ""


def test_an_id_with_two_deadlines_and_one_of_another_uptime_tell_nothing() -> None:
    deadlines = Deadlines()
    report = {"act": "run", "id": 7, "uptime": 0, "reason": "late"}
    deadlines.came({"act": "run", "id": 7, "deadline": 1000})
    assert deadlines.wrongly_late(report) == ("ORD-10", "refused as late 1000 ms before the deadline")
    deadlines.came({"act": "run", "id": 7, "deadline": 2000})
    assert deadlines.wrongly_late(report) == ("", "")
    deadlines.came({"act": "run", "id": 8, "deadline": 1000})
    deadlines.clear()
    assert deadlines.wrongly_late(report | {"id": 8}) == ("", "")
