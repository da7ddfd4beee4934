"""Orders that mean something and are yet not written as their sender must write them."""

from __future__ import annotations

from conformance.oracle.link_log import Message
from protocol.validation import read_message


def may_refuse(message: Message) -> bool:
    """Whether a node may obey an order, or take it as one that it cannot read [ENC-14]."""
    found = read_message("job-order", message.payload, closed=True, explain=False).findings
    return any(one.requirement in ("ENC-02", "ENC-03") for one in found)
