"""All ways to bend a good run."""

from __future__ import annotations

from tests.rules_over_messages import bends_of_nodes, bends_of_orders
from tests.rules_over_messages.bends import BENT, Bend

__all__ = ["BENT", "Bend", "bends_of_nodes", "bends_of_orders"]
