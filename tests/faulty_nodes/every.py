"""All faulty nodes, by name."""

from __future__ import annotations

from tests.faulty_nodes import cranes, link, machines, orders
from tests.faulty_nodes.faulty import FAULTY

__all__ = ["FAULTY", "cranes", "link", "machines", "orders"]
