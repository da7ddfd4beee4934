"""All legal variants, by name."""

from __future__ import annotations

from tests.legal_nodes import links, machines, orders
from tests.legal_nodes.legal import LEGAL

__all__ = ["LEGAL", "links", "machines", "orders"]
