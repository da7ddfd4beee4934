"""How a supervisor keeps time, within the bounds of the protocol."""

from __future__ import annotations

from dataclasses import dataclass

from protocol.specification import specification


@dataclass(frozen=True, slots=True)
class Pace:
    """How a supervisor keeps time, in ms, within the bounds of timing.toml."""

    repeat_ms: int = 1_000
    lead_ms: int = 20_000
    give_up_ms: int = 90_000
    """Without any report about an open job for so long, a supervisor claims again and gives it up."""
    retry_ms: int = 3_000
    """How long a node that refused or failed a job is left in peace before the next is tried."""

    def __post_init__(self) -> None:
        repeat, lead = specification().timing["order_repeat"], specification().timing["order_lead"]
        if not (repeat.least or 0) <= self.repeat_ms <= (repeat.most or 0):
            raise ValueError(f"an order is repeated after {repeat}, not after {self.repeat_ms} ms [SUP-05]")
        if not 0 < self.lead_ms <= (lead.most or 0):
            raise ValueError(f"a deadline lies at most {lead} ahead, not {self.lead_ms} ms [SUP-18]")
