"""The rules that need more than one message: over a recording or a live bus, message by message, and pure."""

from __future__ import annotations

from protocol.rules.monitor import RuleMonitor, watch
from protocol.rules.received import Breach, ReceivedMessage

__all__ = ["Breach", "ReceivedMessage", "RuleMonitor", "watch"]
