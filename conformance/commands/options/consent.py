"""Nothing real moves without a yes from somebody who is there. The one way in which every command asks for it.

A hold is never asked back.
"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.terminal.width import width
from protocol.caution import KEEP_CLEAR
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address

yes_option: Callable[[Any], Any] = click.option(
    "--yes", is_flag=True, help="The answer to what is asked before anything moves; for scripts."
)


def require(told: Sequence[str], question: str, *, yes: bool, instead: str) -> None:
    """Say what will happen and wait for a yes, which `yes` is, given on the command line.

    The first sentence of `told` is what will happen, in words that a reason can be made of; `instead` is what else may
    be done.
    Raises Trouble where nobody is there to be asked, and where the answer is no.
    """
    for line in told:
        click.echo(
            textwrap.fill(line, width(), subsequent_indent=" " * (len(line) - len(line.lstrip()))), err=True
        )
    if yes:
        return
    if not sys.stdin.isatty():
        what = f"{told[0].partition('. ')[0].rstrip('.:')}, and there is no terminal to ask on"
        raise Trouble(what, fix=f"Add --yes if it may, or {instead}")
    if not click.confirm(question, default=False, err=True):
        raise Trouble("nobody said yes, so nothing was moved", fix=f"Say yes, or {instead}")


def of_login(bus: Address | None) -> tuple[str, ...]:
    """What is said before a login is used, also for a look: a broker may let one connection have it."""
    if bus is None or not bus.logs_in:
        return ()
    thrown_off = "Who is connected with that login may be thrown off the bus by it: stop that one first."
    return (f"This logs in as {bus.login_name}. {thrown_off}",)


def require_for_a_node(
    node: str, told: str, bus: Address | None, *, spawned: bool, moves: bool, yes: bool, instead: str
) -> None:
    """Ask before the node under test moves. One that is spawned, alone on the kit's own broker, is simulated."""
    if spawned:
        if bus is not None:
            require_no_twin(node, bus, yes=yes)
    elif moves:
        require((told, KEEP_CLEAR.format(it="it")), "May it move?", yes=yes, instead=instead)


def require_no_twin(node: str, bus: Address, *, yes: bool) -> None:
    """Ask before a simulated node takes the name of a real one on a broker of somebody else's.

    Orders for the one reach the other, and the broker throws off the first that came. Raises Trouble without a yes.
    """
    told = f"{node} will be simulated on {bus.name}; a real one there would move, or be thrown off it"
    require(
        (f"{told}.", *of_login(bus), KEEP_CLEAR.format(it="it")),
        "Is the real one switched off?",
        yes=yes,
        instead="leave out --broker",
    )
