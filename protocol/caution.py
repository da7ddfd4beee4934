"""The words of every caution before and after something moves."""

from __future__ import annotations

KEEP_CLEAR = (
    "CAUTION: keep hands and tools out of {it}, and the switch that removes motor power within reach. A message is "
    "never an emergency stop."
)
