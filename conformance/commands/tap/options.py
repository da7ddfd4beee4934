"""What commands share that look at one node through a tap: their options, the tap itself, the site that names it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options.bus import bus_options, choice_option, never
from conformance.commands.options.serial import baud_option, serial_option
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
    serial_option("Port of a board on a serial line; the kit is its gateway."),
    baud_option,
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
        serial_port: str | None,
        baud: int,
        **parameters: Any,
    ) -> Any:
        if serial_port is not None and parameters.get("spawn"):
            raise click.UsageError("--spawn starts a node in the network; leave out --serial")
        tap_for = partial(
            open_tap, bus=bus, choice=choice, bind=bind, port=port, open_to_network=open_to_network,
            line=None if serial_port is None else (serial_port, baud),
        )  # fmt: skip
        return command(*arguments, bus=bus, tap_for=tap_for, **parameters)

    wrapped: Command = with_tap
    for option in reversed(_OPTIONS):
        wrapped = option(wrapped)
    return wrapped


@contextmanager
def open_tap(
    site: Site,
    node: str,
    *,
    bus: Address | None,
    choice: str,
    bind: str,
    port: int,
    open_to_network: bool,
    line: tuple[str, int] | None = None,
) -> Iterator[tuple[Tap, Address]]:
    """A tap with a broker behind it that takes nobody but `node` for the node; says where it has to connect.

    With `line`, a port and its rate in baud, the node is on that serial line, and the kit is its gateway.
    Raises Trouble.
    """
    from conformance.bench.brokers.broker import start_broker
    from conformance.bench.tap.attribution import NodeSignature
    from conformance.bench.tap.tap import Tap

    if line is not None:
        require_speaks_cbor(site, node)
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
        with tap, nullcontext() if line is None else _gateway(site, node, tap, address, *line):
            told = f"Let {node} connect to {tap.host}, port {tap.port}"
            if line is not None:
                told = f"Waiting for {node} on {line[0]}, {line[1]:,} baud"
            click.echo(f"{told} (behind it: {broker.name})", err=True)
            yield tap, address


@contextmanager
def _gateway(site: Site, node: str, tap: Tap, address: Address, port: str, baud: int) -> Iterator[None]:
    """The gateway between a serial port and the tap, with a tap of its own on the line."""
    from conformance.bench.serial.line_tap import LineTap
    from protocol.wire.endpoint import Endpoint
    from protocol.wire.serial.gateway import Fleet, Gateway
    from protocol.wire.serial.port import SerialPort

    # The tap speaks no TLS on this side.
    endpoint = Endpoint(tap.host, tap.port, address.user, address.password)
    tap.line = LineTap(port, lambda: SerialPort(port, baud), baud)
    SerialPort(port, baud).close()  # What is wrong with the port is said now, and not waited for.
    fleet = Fleet(site.name, {node: site.nodes[node]}, lambda _name: endpoint)
    with Gateway([(port, tap.line.open)], fleet, rate=baud):
        yield


def require_speaks_cbor(site: Site, node: str) -> None:
    """Raise Trouble where the site file lets a node on a serial line speak JSON [SER-01]."""
    from protocol.site import Encoding

    if site.nodes[node].reads != "cbor" or site.nodes[node].writes is not Encoding.CBOR:
        fix = 'Write reads = "cbor" and writes = "cbor" there'
        raise Trouble("a node on a serial line speaks CBOR alone [SER-01]", where=f"nodes.{node}", fix=fix)


def site_naming(node: str, path: Path) -> Site:
    """The site of a file, in which there is that node. Raises Trouble."""
    from protocol.site_file import load_site

    site = load_site(path)
    if node not in site.nodes:
        known = ", ".join(site.nodes)
        raise Trouble(f"there is no node {node!r} in it", where=str(path), fix=f"Its nodes are {known}")
    return site
