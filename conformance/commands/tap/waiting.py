"""The count of the seconds while a command waits for a board: a line that is written over, or one now and then."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from conformance.commands.terminal import progress

if TYPE_CHECKING:
    from conformance.bench.tap.tap import Tap


def wait_for_node(tap: Tap, node: str, *, slow: float = 1.0, failure: Callable[[], str] = str) -> None:
    """Wait until NODE has connected to the tap. Raises Trouble where it does not come.

    `failure` says how a program that the kit has started for it has ended.
    """
    from conformance.bench.tap import arrival

    tell = progress.show if sys.stderr.isatty() else arrival.seldom(lambda line: click.echo(line, err=True))
    try:
        arrival.wait_for_node(tap, node, tell, slow=slow, failure=failure)
    finally:
        progress.clear()
