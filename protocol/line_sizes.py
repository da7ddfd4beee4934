"""How long frames on a serial line can become, and how fast a line has to be for an answer in time."""

from __future__ import annotations

from protocol.site import Encoding
from protocol.sizes import worst_sizes
from protocol.specification import specification

AROUND = 5
"""Kind byte, FCS and two flags."""
BITS = 10
"""Of one byte on the line: a start bit, 8 data bits, a stop bit."""
RATES = (1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200)
"""Usual rates in baud."""
SPARE = 0.85
"""Of the time for an answer, what the line may take; the rest is for the board, its gateway and escaped bytes."""


def longest_frame(message: str) -> int:
    """Bytes of the longest frame that carries `message`, flags included, where nothing in it is escaped."""
    rows = [row for row in worst_sizes() if row.message == message and row.encoding is Encoding.CBOR]
    return max(row.payload for row in rows) + AROUND


def bytes_to_an_answer() -> int:
    """Bytes that pass from an order at the gateway to its report there, one frame already on its way each way."""
    order, state = longest_frame("job-order"), longest_frame("crane-status")
    return order + order + state + longest_frame("job-report")


def slowest_rate() -> int:
    """The slowest usual rate at which `answer` holds whatever is on the line."""
    most_ms = specification().timing["answer"].most
    assert most_ms is not None
    return next(rate for rate in RATES if bytes_to_an_answer() * BITS * 1000 <= rate * most_ms * SPARE)
