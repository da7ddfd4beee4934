"""No simulated node takes the name of one that is on the bus, without a yes: the broker would throw that one off."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from conformance.commands.options import consent
from protocol.caution import KEEP_CLEAR

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address

RETAINED_S = 0.3
"""So long after the subscription retained messages may take: every node leaves one that says whether it is on."""


def require_free(site: str, names: Iterable[str], bus: Address, *, yes: bool) -> None:
    """Ask where a node of one of these names says that it is on, or what it says cannot be read. Raises Trouble.

    With a login nothing is looked up, and a yes is needed: a broker may tie each name to its login, and then the look
    throws off the board that has it.
    """
    names = sorted(set(names))
    if yes or not names:
        return
    if bus.logs_in:
        _ask_without_a_look(names, bus)
        return
    on = sorted(set(names) & set(_on(site, bus)))
    if not on:
        return
    who, be, its = " and ".join(on), *(("is", "its") if len(on) == 1 else ("are", "their"))
    told = (
        f"{who} {be} on at {bus.name} already: a simulated node takes {its} place there, answers {its} orders, and "
        "says that a machine has moved which has not"
    )
    consent.require(
        (f"{told}.", KEEP_CLEAR.format(it="every machine there")),
        f"Take {its} place?",
        yes=False,
        instead="stop them first, or take a broker without them",
    )


def _ask_without_a_look(names: Sequence[str], bus: Address) -> None:
    who, be, its = (names[0], "is", "its") if len(names) == 1 else (", ".join(names), "are", "their")
    told = (
        f"whether {who} {be} on at {bus.name} is not looked up: whoever has that login is thrown off by the look "
        f"itself. A simulated node takes {its} place there, and says that a machine has moved which has not"
    )
    consent.require(
        (f"{told[0].upper()}{told[1:]}.", KEEP_CLEAR.format(it="every machine there")),
        "Is the real one switched off?" if len(names) == 1 else "Are the real ones switched off?",
        yes=False,
        instead="take a broker without them",
    )


def _on(site: str, bus: Address) -> Sequence[str]:
    """Who says there that it is on, or says what cannot be read."""
    import secrets

    from conformance.recordings.site_listener import SiteListener
    from protocol.participant import Delivery, Publication
    from protocol.specification import specification
    from protocol.validation import read_message

    found: dict[str, bool] = {}

    class Listener(SiteListener):
        """Hears whether nodes are on."""

        def subscriptions(self) -> Sequence[tuple[str, int]]:
            return ((f"{specification().root}/{site}/+/node-status", 1),)

        def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
            body = read_message("node-status", delivery.payload, closed=False).body
            found[delivery.topic.split("/")[2]] = body is None or body["state"] != "off"
            return ()

    with bus.client(Listener(site, f"look-{secrets.token_hex(3)}")):
        time.sleep(RETAINED_S)
    return [name for name, on in found.items() if on]
