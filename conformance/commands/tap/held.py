"""A node whose machine may be moving when a run over it ends early is told to hold."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import click

from protocol.caution import KEEP_CLEAR

if TYPE_CHECKING:
    from conformance.suite.fixture import Fixture


@contextmanager
def held_when_stopped(fixture: Fixture, *, moves: bool) -> Iterator[None]:
    """Where the block ends early, for whatever reason, and the machine may be moving, tell the node to hold."""
    from conformance.tester.held import held_at_its_end

    with held_at_its_end(fixture, _tell, moves=moves):
        yield


def _tell(what: str) -> None:
    with suppress(OSError):  # Nobody is left to be told.
        click.echo(f"{what} {KEEP_CLEAR.format(it='the machine')}", err=True)
