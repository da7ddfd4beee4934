"""All breaches: importing this enters them."""

from __future__ import annotations

from tests.faulty_nodes.matrix.breaches import (
    claims_and_holds,
    encoding,
    faults,
    firmware,
    link,
    machines,
    messages,
    orders,
)
from tests.faulty_nodes.matrix.registry import BREACHES

__all__ = [
    "BREACHES",
    "claims_and_holds",
    "encoding",
    "faults",
    "firmware",
    "link",
    "machines",
    "messages",
    "orders",
]
