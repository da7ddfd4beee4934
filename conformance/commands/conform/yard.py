"""Before a supervisor is judged by `yardwire conform`: a way to start it, and no real node in the way."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from conformance.commands.options import consent
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from protocol.site import Site


def check_settings(program: tuple[str, ...] | None, reset_command: str | None, *, yes: bool) -> None:
    """Raise Trouble before anything starts where there is no way to start the supervisor."""
    if reset_command is not None:
        raise Trouble("a supervisor is restarted with another brief each time", fix="Use --program")
    if program is None and (yes or not sys.stdin.isatty()):
        raise Trouble(
            "every case restarts the supervisor, and there is no terminal to ask on",
            fix="Name the command that starts it with --program, or stay at the terminal without --yes",
        )


def allow_playing(site: Site, bus: Address | None, *, yes: bool) -> None:
    """On a broker of somebody else's real nodes would obey the supervisor. Raises Trouble without a yes."""
    if bus is None:
        return
    names = ", ".join(node.name for node in site.nodes.values() if not node.is_supervisor)
    told = f"the kit plays {names}; a real one on that broker would move, or be thrown off it"
    consent.require(
        (f"{told[0].upper()}{told[1:]}.", *consent.of_login(bus)),
        "Are all of them switched off?",
        yes=yes,
        instead="leave out --broker: the kit starts one of its own",
    )
