"""How a supervisor appears on the bus: its name, its will, what it hears, and how often it looks around."""

from __future__ import annotations

from collections.abc import Sequence

from protocol.participant import Publication
from protocol.site import Site
from reference_node.supervisor.send.messages import OwnMessages

LOOK_MS = 100
"""How often the supervisor looks around when nothing comes in."""


class Appearance:
    """The part of a participant that is the same whatever the supervisor does."""

    def __init__(self, site: Site, name: str, boot: int, started_ms: int) -> None:
        """Raises ValueError where `name` is no supervisor of the site."""
        if "supervisor" not in site.nodes[name].roles:
            raise ValueError(f"{name} is not a supervisor of {site.name}")
        self.site, self.name, self.boot = site, name, boot
        self._messages = OwnMessages(site, site.nodes[name], boot, started_ms)

    @property
    def client_id(self) -> str:
        """Client identifier: the name."""
        return self.name

    @property
    def keep_alive_s(self) -> int:
        """Keep-alive in seconds."""
        return self.site.nodes[self.name].keep_alive_s

    def will(self) -> Publication:
        """The will of the next connection."""
        return self._messages.will()

    def parting(self, now_ms: int) -> Sequence[Publication]:
        """That it is off, before it leaves on purpose [LNK-16]: its retained status is not to say 'on' for ever."""
        return [self._messages.parting()]

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """What every node says, and its own yard-map of the life before."""
        return self._messages.subscriptions()

    def next_tick(self, now_ms: int) -> int | None:
        """It looks around ten times a second."""
        return now_ms + LOOK_MS

    @property
    def links(self) -> int:
        """How often it has connected."""
        return self._messages.link
