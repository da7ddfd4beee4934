"""A command that ends while machines may be at work: they are told to hold, however it ends."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

import click

from conformance.commands.terminal.width import width
from protocol.caution import KEEP_CLEAR
from protocol.wire.fail_stop import Failed

EVERYTHING = "all machines and tracks"
NOT_SENT = "no hold could be sent: whatever was at work may still move"

Hold = Callable[[], Sequence[str]]
"""Tells what may be at work to hold; gives what came of it, a line each. Empty where nothing was at work."""


def nothing() -> bool:
    """At its own end a command leaves what it moved alone, where nothing else is said."""
    return False


@contextmanager
def held_at_its_end(hold: Hold, it: str, *, at_work: Callable[[], bool] = nothing) -> Iterator[None]:
    """Where the block does not come to its own end, hold what may be at work, and say what came of it.

    A signal, a closed pipe, somebody else on the bus and an internal error are alike in this. It is never asked first.
    A block that comes to its end holds nothing, unless `at_work` says that something is. `it` is what to keep clear of.
    """
    try:
        yield
    except BaseException:
        tell(hold, it)
        raise
    if at_work():
        tell(hold, it)


def tell(hold: Hold, it: str) -> None:
    """Hold what may be at work, and say what came of it."""
    told: Sequence[str] = (NOT_SENT,)
    # Whatever it is, the command ends; after an error in a thread nothing is published any more.
    with suppress(Exception, Failed):
        told = hold()
    with suppress(OSError):  # Nobody is left to be told.
        for line in (*told, *([KEEP_CLEAR.format(it=it)] if told else ())):
            click.echo(textwrap.fill(line, width()), err=True)
