"""What a command gets for the options of a bus."""

from __future__ import annotations

import click

from conformance.bench.connection.address import Address
from conformance.commands.options.bus import bus_options, never


def bus_of(*arguments: str, joins: bool = True) -> Address | None:
    """What a command gets for its options."""
    got: list[Address | None] = []

    @click.command()
    @bus_options(joins=(lambda _: True) if joins else never)
    def probe(bus: Address | None) -> None:
        got.append(bus)

    probe.main(list(arguments), standalone_mode=False)
    return got[0]
