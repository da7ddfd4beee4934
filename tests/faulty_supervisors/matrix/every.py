"""All breaches: importing this enters them."""

from __future__ import annotations

from tests.faulty_supervisors.matrix.breaches import beliefs, claims, orders
from tests.faulty_supervisors.matrix.registry import BREACHES

__all__ = ["BREACHES", "beliefs", "claims", "orders"]
