"""Nothing real moves without a yes from somebody who is there."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click

from protocol.trouble import Trouble

KEEP_CLEAR = "Keep hands out of {it} and the switch that removes motor power within reach."


def require(told: Sequence[str], question: str, *, nobody: Trouble, no: Trouble) -> None:
    """Say what will happen and wait for a yes; raises `nobody` where none can be asked, `no` where none is given."""
    if not sys.stdin.isatty():
        raise nobody
    for line in told:
        click.echo(line, err=True)
    if not click.confirm(question, default=False, err=True):
        raise no
