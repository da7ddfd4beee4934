"""Which boot each node is in: what its old boot still says comes late, and undoes nothing that the new one said."""

from __future__ import annotations

from collections import deque

from protocol.specification import specification

REMEMBERED = 16
"""Boots of one node that are remembered."""


class Boots:
    """Boots by node, as they were heard live. Times are us of the caller's clock."""

    def __init__(self) -> None:
        self._boots: dict[str, deque[int]] = {}
        self._spoke_us: dict[str, int] = {}
        self._silence_us = specification().most_ms("state_silence") * 1000

    def is_late(self, node: str, boot: int, at_us: int) -> bool:
        """Take in that `node` says `boot`; whether that is an old boot of it whose successor speaks.

        Where the newer one has been silent for longer than a node may be, the node is believed: then it counts its
        boots wrongly, and is there all the same.
        """
        boots = self._boots.setdefault(node, deque(maxlen=REMEMBERED))
        speaks = at_us - self._spoke_us.get(node, at_us) <= self._silence_us
        if boots and boots[-1] != boot and boot in boots and speaks:
            return True
        if not boots or boots[-1] != boot:
            boots.append(boot)
        self._spoke_us[node] = at_us
        return False
