"""The rules that need more than one message: over a recording or a live bus, message by message, and pure."""

from __future__ import annotations

from protocol.rules.heard import Breach, Heard
from protocol.rules.watch import Watch, watch

__all__ = ["Breach", "Heard", "Watch", "watch"]
