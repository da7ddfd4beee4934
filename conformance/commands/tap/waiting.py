"""The count of the seconds while a command waits for a board: a line that is written over, or one now and then."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from conformance.commands.terminal import progress

if TYPE_CHECKING:
    from conformance.bench.tap.tap import Tap


def wait_for_node(tap: Tap, node: str, *, slow: float = 1.0) -> None:
    """Wait until NODE has connected to the tap. Raises Trouble where it does not come."""
    from conformance.bench.tap import arrival

    tell = progress.show if sys.stderr.isatty() else arrival.seldom(lambda line: click.echo(line, err=True))
    try:
        arrival.wait_for_node(tap, node, tell, slow=slow)
    finally:
        progress.clear()
