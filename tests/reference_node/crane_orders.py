"""Orders that the tests of the crane share."""

from __future__ import annotations

from typing import Any

from tests.reference_node.yard import Yard

TOP = {("stack-n", 0): "LOWER", ("stack-n", 1): "UPPER"}
MOVE: dict[str, Any] = {"from_": "stack-n", "from_slot": 1, "to": "stack-n", "to_slot": 2, "box": "UPPER"}


def steps(yard: Yard, act: str, node: str = "north") -> list[str]:
    said = [report["step"] for report in yard.reports(node) if report["act"] == act and "step" in report]
    return [step for number, step in enumerate(said) if step not in said[:number]]
