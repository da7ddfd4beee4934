"""A supervisor that ends while nodes may be at work: they are told to hold, however it ends."""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import click

from conformance.commands.terminal.width import width
from protocol.caution import KEEP_CLEAR
from protocol.wire.fail_stop import Failed, check

if TYPE_CHECKING:
    from protocol.participant import Participant, Publication
    from protocol.wire.mqtt import MqttHost
    from reference_node.supervisor.supervisor import Supervisor

HOLD_S, LOOK_S = 0.5, 0.02
"""How long the end may wait for nodes to say that they are held."""


@contextmanager
def held_at_its_end(hold: Callable[[], list[str]]) -> Iterator[None]:
    """Where the block ends early, hold what may be at work, and say what came of it; it is never asked first.

    A signal, a closed pipe and an internal error are alike in this: nobody supervises any more.
    """
    try:
        yield
    except BaseException:
        tell(hold)
        raise


def tell(hold: Callable[[], list[str]]) -> None:
    """Hold what may be at work, and say what came of it."""
    told = ["no hold could be sent: whatever was at work may still move"]
    # Whatever it is, the command ends; after an error in a thread nothing is published any more.
    with suppress(Exception, Failed):
        check()
        told = hold()
    with suppress(OSError):  # Nobody is left to be told.
        for line in (*told, *([KEEP_CLEAR.format(it="all machines and tracks")] if told else ())):
            click.echo(textwrap.fill(line, width()), err=True)


def hold_at_work(host: MqttHost, supervisor: Supervisor, now_ms: Callable[[], int]) -> list[str]:
    """Order nothing more, and hold every node that may be at work; gives what became of each, in words.

    For an end that does not wait: it takes at most `HOLD_S`. Raises what keeps the holds from being sent.
    """
    at_work: list[str] = []

    def hold(_participant: Participant, _now_ms: int) -> Sequence[Publication]:
        supervisor.wind_up()
        at_work.extend(
            name for name, one in supervisor.sessions.items() if one.boot is not None and not one.idle()
        )
        for name in at_work:
            supervisor.hold(name, "who stopped the supervisor")
        return supervisor.tick(now_ms())

    end = time.monotonic() + HOLD_S
    if not host.call(hold, HOLD_S):
        return [
            f"{name} could not be told to hold, for the bus is away: it may still move" for name in at_work
        ]
    holds = supervisor.holds.standing
    while time.monotonic() < end and any(holds[name].obeyed_ms is None for name in at_work):
        time.sleep(LOOK_S)
    return [
        f"{name} is held in the middle of its job; it goes on when it is resumed"
        if holds[name].obeyed_ms is not None
        else f"{name} was told to hold and has not said that it does: it may still move"
        for name in at_work
    ]
