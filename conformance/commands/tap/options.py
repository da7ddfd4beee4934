"""What commands share that look at one node through a tap: their options, the tap itself, the site that names it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options.bus import bus_options, choice_option, never
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.bench.tap.tap import Tap
    from protocol.site import Site

Command = Callable[..., Any]
OpenTap = Callable[["Site", str], AbstractContextManager[tuple["Tap", "Address"]]]
"""`open_tap` with what the options of the command line say: a tap for a node of a site."""

_OPTIONS = (
    bus_options(joins=never, otherwise="default: one is started"),
    choice_option("auto", "Which broker to start where none is given."),
    click.option(
        "--bind",
        default="127.0.0.1",
        show_default=True,
        help="Address where the node connects: for a board, this machine's in its network.",
    ),
    click.option(
        "--port", type=click.IntRange(0, 65535), default=0, help="Port for it; 0 takes any free one."
    ),
    click.option("--open-to-network", is_flag=True, help="Allow --bind to be an address that others reach."),
)


def tap_options(command: Command) -> Command:
    """Adds the options of `open_tap`, in this order; the command gets `bus` as by `bus_options`, and `tap_for`."""

    @wraps(command)
    def with_tap(
        *arguments: Any,
        bus: Address | None,
        choice: str,
        bind: str,
        port: int,
        open_to_network: bool,
        **parameters: Any,
    ) -> Any:
        tap_for = partial(
            open_tap, bus=bus, choice=choice, bind=bind, port=port, open_to_network=open_to_network
        )
        return command(*arguments, bus=bus, tap_for=tap_for, **parameters)

    wrapped: Command = with_tap
    for option in reversed(_OPTIONS):
        wrapped = option(wrapped)
    return wrapped


@contextmanager
def open_tap(
    site: Site, node: str, *, bus: Address | None, choice: str, bind: str, port: int, open_to_network: bool
) -> Iterator[tuple[Tap, Address]]:
    """A tap with a broker behind it that takes nobody but `node` for the node; says where it has to connect.

    Raises Trouble.
    """
    from conformance.bench.brokers.broker import start_broker
    from conformance.bench.tap.attribution import NodeSignature
    from conformance.bench.tap.tap import Tap

    with start_broker(choice, at=bus) as broker:
        address = broker.address
        tap = Tap(
            broker.host,
            broker.port,
            bind=bind,
            port=port,
            tls=address.tls_context(),
            open_to_network=open_to_network,
            node=NodeSignature(site.name, node, site.nodes[node].is_supervisor),
        )
        with tap:
            click.echo(
                f"Let {node} connect to {tap.host}, port {tap.port} (behind it: {broker.name})", err=True
            )
            yield tap, address


def site_naming(node: str, path: Path) -> Site:
    """The site of a file, in which there is that node. Raises Trouble."""
    from protocol.site_file import load_site

    site = load_site(path)
    if node not in site.nodes:
        known = ", ".join(site.nodes)
        raise Trouble(f"there is no node {node!r} in it", where=str(path), mend=f"Its nodes are {known}")
    return site
