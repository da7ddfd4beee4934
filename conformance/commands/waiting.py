"""Waiting for a board to come: what is told meanwhile, and what to check where it does not."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

from conformance.commands import progress
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.tap import Tap

WAIT_S = 30.0
LOOK_S = 0.1
SAID_EVERY_S = 5.0
"""How often a line is written where none can be written over: a file, a build server."""
CHECK = (
    "Is it on, has it the network, and was it given the address and port that are said above?"
    " A board needs --bind with this machine's address in its network"
)


def wait_for_node(tap: Tap, node: str, *, slow: float = 1.0) -> None:
    """Wait until NODE has connected to the tap, and count the seconds for whoever waits.

    Raises Trouble where it does not come: nothing can be said of it then, not even that it fails.
    """
    limit = WAIT_S * slow
    began = said = time.monotonic()
    try:
        while not tap.wait_for(lambda _packet: True, LOOK_S):
            now = time.monotonic()
            if now - began >= limit:
                break
            text = f"waiting for {node} at {tap.host}, port {tap.port}: {now - began:.0f} of {limit:.0f} s"
            came = _came(tap)
            progress.show(f"{text}{f'; {came}' if came else ''}")
            if now - said >= SAID_EVERY_S and not sys.stderr.isatty():
                said = now
                click.echo(f"{text}{f'; {came}' if came else ''}", err=True)
        else:
            return
    finally:
        progress.clear()
    if tap.settle_for_best():
        return
    came = _came(tap)
    if tap.connections:
        shown = came or f"{len(tap.connections)} connections spoke no MQTT"
        raise Trouble(
            f"{node} did not connect within {limit:.0f} s: {shown}",
            where=f"{tap.host}:{tap.port}",
            mend="A node is known by its will, its subscription to its job-order topic and its messages: "
            "does the board use the names of site and node that are in the site file?",
        )
    raise Trouble(f"nothing connected within {limit:.0f} s", where=f"{tap.host}:{tap.port}", mend=CHECK)


def _came(tap: Tap) -> str:
    """Who else is there, in a few words."""
    others = tap.strangers()
    if not others:
        return ""
    names = ", ".join(ascii(name) for name in list(others)[:3])
    return f"{len(others)} other client{'s' * (len(others) > 1)} came ({names})"
