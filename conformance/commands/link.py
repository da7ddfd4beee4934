"""`yardwire link`: the gateway between boards on serial lines and a bus."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from conformance.commands.options import completing, json_output
from conformance.commands.options.bus import bus_options
from conformance.commands.options.serial import baud_option
from conformance.commands.options.site import site_option
from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat, quiet_option
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from protocol.wire.serial.board import Board

LOOK_S = 0.25


def _joins(parameters: object) -> bool:
    return not (isinstance(parameters, dict) and parameters.get("listing"))


@click.command()
@click.argument("ports", nargs=-1, metavar="[PORT]...", shell_complete=completing.files)
@site_option
@bus_options(joins=_joins)
@baud_option
@click.option(
    "--logins",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="User and password of each board (TOML), readable by you alone.",
)
@click.option("--list", "listing", is_flag=True, help="List the serial ports of this machine and end.")
@quiet_option
@json_output.json_option("With --list one JSON document; else each change as one, on a line.")
def link(
    ports: tuple[str, ...],
    site_path: Path,
    bus: Address | None,
    baud: int,
    logins: Path | None,
    listing: bool,
    as_json: bool,
) -> None:
    """Give each board on the serial lines PORT ... a connection of its own on the bus, until Ctrl-C.

    A board says its name by itself, so it does not matter which port it is on, and it may be plugged in at any time.
    One that falls silent, is pulled out or restarts loses its connection, and the broker sends its will. Boards
    that the site file does not name are not let in.

    CAUTION: at some boards the opening of their port is a reset. Ports are opened with DTR as it is; the guide 'a
    board on a cable' says how to take the reset off for good. A message is never an emergency stop: keep the switch
    that removes motor power within reach.

    Example: yardwire link /dev/ttyUSB0 /dev/ttyUSB1 --site site.toml --broker mqtt://localhost
    """
    if listing:
        _list(as_json=as_json)
        return
    if not ports or bus is None:
        raise Trouble("no port is named", fix="'yardwire link --list' names the ports that are there")
    for port in ports:
        if ports.count(port) > 1:
            raise Trouble(f"{port} is named twice", fix="Name every port once")
    _serve(ports, site_path, bus, baud, logins, as_json=as_json)


def _list(*, as_json: bool) -> None:
    from protocol.wire.serial.port import ports_here

    found = ports_here()
    if as_json:
        json_output.tell({"ports": [{"port": port, "what": what} for port, what in found]})
        return
    for port, what in found:
        click.echo(f"{port:<24}{what}")
    if not found:
        click.echo("This machine has no serial port now.")


def _serve(
    ports: tuple[str, ...], site_path: Path, bus: Address, baud: int, logins: Path | None, *, as_json: bool
) -> NoReturn:
    from conformance.bench.connection.board_logins import endpoint_of, read_logins
    from protocol.site import Encoding
    from protocol.site_file import load_site
    from protocol.wire.serial.gateway import Fleet, Gateway
    from protocol.wire.serial.port import SerialPort, require_pyserial

    site = load_site(site_path)
    require_pyserial()
    known = None if logins is None else read_logins(logins)
    if known is None and len(ports) > 1 and bus.logs_in:
        # Not looked up at the broker: the look itself would throw off the board that has that login.
        raise Trouble(
            f"each board is a connection, and a broker may let {bus.login_name} be connected once at a time: then "
            "they throw each other off",
            where=bus.name,
            fix="Name a file with a login for each (--logins); where one user may be connected several times, the "
            "same for each",
        )
    endpoint = bus.endpoint()
    nodes = {
        name: node
        for name, node in site.nodes.items()
        if node.reads == "cbor" and node.writes is Encoding.CBOR and not node.is_supervisor
    }
    if not nodes:
        fix = 'Write reads = "cbor" and writes = "cbor" for each board that is on a line'
        raise Trouble("no node of this site can be on a serial line", where=str(site_path), fix=fix)
    opened = [(port, lambda port=port: SerialPort(port, baud)) for port in ports]
    fleet = Fleet(site.name, nodes, lambda name: endpoint_of(name, endpoint, known))
    chat(f"{len(ports)} port{'s' * (len(ports) > 1)}, bus {bus.name}; stop it with Ctrl-C")
    with Gateway(opened, fleet, rate=baud) as gateway:
        _tell(gateway.boards, as_json=as_json)


def _tell(boards: list[Board], *, as_json: bool) -> NoReturn:
    """A line that is written over on a terminal, and every change as a line of its own."""
    from protocol.wire.fail_stop import check

    told: dict[str, str] = {}
    while True:
        check()
        for board in boards:
            now = _state(board)
            if told.get(board.port) != now:
                told[board.port] = now
                _change(board, now, as_json=as_json)
        if not as_json and sys.stderr.isatty():
            progress.show("  ".join(_counts(boards)))
        time.sleep(LOOK_S)


def _state(board: Board) -> str:
    end = board.end_of_line
    if not board.plugged:
        return f"no port: {board.trouble}" if board.trouble else "no port"
    if board.name:
        return f"{board.name}: {'on the bus' if end.state != 'off' else 'connecting'}"
    if end.stranger:
        return f"{end.stranger} is not a node of this site that may be on this line"
    return board.trouble or "no board heard"


def _change(board: Board, now: str, *, as_json: bool) -> None:
    progress.clear()
    if as_json:
        json_output.tell(
            {"port": board.port, "board": board.name, "state": now}, exit_code=None, on_one_line=True
        )
    else:
        click.echo(f"{time.strftime('%H:%M:%S')}  {board.port}  {now}")


def _counts(boards: list[Board]) -> Iterator[str]:
    for board in boards:
        tally, dropped = board.end_of_line.tally, board.end_of_line.reader.dropped
        lost = dropped.damaged + dropped.short + dropped.long + dropped.aborted
        yield f"{board.name or board.port}: {tally.up:,} up, {tally.down:,} down, {lost:,} damaged"
