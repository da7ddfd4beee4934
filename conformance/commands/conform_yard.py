"""`yardwire conform` on a supervisor: the kit plays every other node, and a program or a person starts it anew."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from conformance.commands import consent
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.address import Address
    from conformance.bench.tap import Tap
    from conformance.played.plan import Brief
    from conformance.played.stand import Play
    from protocol.site import Site


def reference_program(site_path: Path, name: str) -> tuple[str, ...]:
    """The words that start the reference supervisor with a brief."""
    return (
        *(sys.executable, "-m", "conformance.commands.main", "node", name, "--site", str(site_path)),
        *("--broker", "{broker}", "--brief", "{brief}", "--yes"),
    )


def check_wishes(program: tuple[str, ...] | None, reset_command: str | None, *, yes: bool) -> None:
    """Raise Trouble before anything starts where there is no way to start the supervisor."""
    if reset_command is not None:
        raise Trouble("a supervisor is started anew with another brief each time", mend="Use --program")
    if program is None and (yes or not sys.stdin.isatty()):
        raise Trouble(
            "every case starts the supervisor anew, and nobody is here to be asked",
            mend="Name the command that starts it with --program, or stay at the terminal without --yes",
        )


def allow_playing(site: Site, url: str | None, *, yes: bool) -> None:
    """On a broker of somebody else's real nodes would obey the supervisor. Raises Trouble without a yes."""
    if url is None or yes:
        return
    names = ", ".join(node.name for node in site.nodes.values() if node.roles != ("supervisor",))
    told = f"the kit plays {names}; a real one on that broker would move, or be thrown off it"
    consent.require(
        (f"{told[0].upper()}{told[1:]}.",),
        "Are all of them switched off?",
        nobody=Trouble(told, mend="Leave out --broker, or add --yes if none of them is there"),
        no=Trouble("real nodes may be there", mend="Leave out --broker: the kit starts one of its own"),
    )


@contextmanager
def play(
    tap: Tap,
    address: Address,
    site: Site,
    name: str,
    *,
    program: tuple[str, ...] | None,
    tell: Callable[[str], None],
    seed: int,
    slow: float,
) -> Iterator[Play]:
    """The stand for a supervisor; ends its program, if the kit starts one, whatever happens."""
    from conformance.bench.program import Program
    from conformance.played.stand import Play
    from conformance.played.wire import WireYard
    from conformance.reset import PERSON_SECONDS, Reset

    rng = Random(seed)

    def by_hand(brief: Brief) -> None:
        asked = f"Stop the supervisor {name!r} and start it anew now (within {PERSON_SECONDS:g} s)."
        Reset(tap, lambda: tell(f"{asked}\n{brief.text}"), PERSON_SECONDS)()

    with Program(program or (), f"mqtt://{tap.host}:{tap.port}") as started:

        def by_program(brief: Brief) -> None:
            started.start(json.dumps(brief.document(), indent=1))

        start = by_program if program else by_hand
        with WireYard(tap, address, site, rng, start) as yard:
            yield Play(yard, site, name, rng, slow)
