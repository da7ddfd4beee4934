"""When a state message is due again although nothing has changed."""

from __future__ import annotations

from protocol.specification import specification

EARLY_MS = 100
"""How long before the longest allowed gap a message goes out, for a main loop that comes late."""


def period_of(message: str) -> int:
    """The longest gap between two messages on this topic, in ms [MSG-02, MSG-03]."""
    name = "status_repeat" if message == "node-status" else "state_repeat"
    most = specification().timing[name].most
    assert most is not None
    return most - EARLY_MS


class Heartbeat:
    """Remembers for every state topic when it was last sent. Times are those of the caller's clock, not
    of uptime, so that neither the wrap nor `set-uptime` disturbs it [MSG-09, BEN-04].
    """

    def __init__(self) -> None:
        self._sent_ms: dict[str, int] = {}

    def sent(self, message: str, now_ms: int) -> None:
        """The message went out."""
        self._sent_ms[message] = now_ms

    def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
        """When the message has to go out again at the latest; `now_ms` for one that never went out.

        `every_ms` is a shorter gap than the protocol's.
        """
        sent = self._sent_ms.get(message)
        return now_ms if sent is None else sent + (every_ms or period_of(message))
