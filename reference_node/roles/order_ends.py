"""The slots that a transfer names."""

from __future__ import annotations

from protocol.guards import Order


def ends_of(order: Order) -> list[tuple[str, int]]:
    """Place and slot where from, if the transfer says it, and where to; none for another act."""
    if order["act"] != "transfer":
        return []
    return [(order[end], order[f"{end}_slot"]) for end in ("from", "to") if end in order]
