"""What the report says of the times in which the test machine stood still."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

NAMED = 5


def line(report: Mapping[str, Any]) -> str:
    """How often it stood still, for how long at the most, and what was judged again; '' where it never did."""
    told = report["stalls"]
    if not told["count"]:
        return ""
    often = {1: "once", 2: "twice"}.get(told["count"], f"{told['count']} times")
    again = told["judged_again"]
    more = f" and {len(again) - NAMED} more" if len(again) > NAMED else ""
    judged = f"judged again: {', '.join(again[:NAMED])}{more}" if again else "no case had to be judged again"
    return f"the test machine stood still {often}, for {told['longest_ms']} ms at the longest; {judged}"
