"""A node whose machine may be moving when a run over it is stopped is told to hold."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import click

from conformance.commands.options.consent import KEEP_CLEAR

if TYPE_CHECKING:
    from conformance.suite.fixture import Fixture


@contextmanager
def held_when_stopped(fixture: Fixture, *, moves: bool) -> Iterator[None]:
    """Where the block is stopped, by Ctrl-C or as others meddle, and its machine may be moving, tell the node to hold.

    It is never asked first, and the end does not wait for it: a hold is no protection.
    """
    from conformance.suite.bench import CannotJudge

    try:
        yield
    except (KeyboardInterrupt, CannotJudge):
        if moves:
            _hold(fixture)
        raise


def _hold(fixture: Fixture) -> None:
    from conformance.suite.preamble import leave_held

    held = False
    with suppress(Exception):  # Whatever it is, the command ends.
        held = leave_held(fixture)
    told = "is held" if held else "was told to hold, and has not said that it does"
    with suppress(OSError):
        click.echo(f"{fixture.name} {told}. {KEEP_CLEAR.format(it='the machine')}", err=True)
