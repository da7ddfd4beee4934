"""All faulty nodes, by name."""

from __future__ import annotations

from tests.faulty_nodes import claims_and_holds, contexts, cranes, link, machines, orders, payloads, states
from tests.faulty_nodes.faulty import FAULTY

__all__ = [
    "FAULTY",
    "claims_and_holds",
    "contexts",
    "cranes",
    "link",
    "machines",
    "orders",
    "payloads",
    "states",
]
