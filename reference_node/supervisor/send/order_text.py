"""Orders in plain words, for journals and prompts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def order_text(body: Mapping[str, Any]) -> str:
    """What an order asks for."""
    match body["act"]:
        case "transfer":
            start = (
                f" from {body['from']} slot {body['from_slot']}" if "from" in body else " from the spreader"
            )
            return f"box {body['box']}{start} to {body['to']} slot {body['to_slot']}"
        case "run":
            return f"run to {body['to']}"
        case "admit":
            return f"let train {body['train']} in" if "train" in body else "let a train in"
        case "jog":
            return f"move the axes to {', '.join(map(str, body['target']))}"
        case "depart":
            return "let the train go"
    return str(body["act"])
