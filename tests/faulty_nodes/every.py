"""All faulty nodes, by name."""

from __future__ import annotations

from tests.faulty_nodes import contexts, cranes, link, machines, orders
from tests.faulty_nodes.faulty import FAULTY

__all__ = ["FAULTY", "contexts", "cranes", "link", "machines", "orders"]
