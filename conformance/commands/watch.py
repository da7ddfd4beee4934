"""`yardwire watch`: a live page of one bus, to look at and never to order from."""

from __future__ import annotations

from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

import click

from conformance.commands.options.bus import bus_options
from conformance.commands.options.site import site_option
from conformance.commands.terminal.quiet import is_quiet, quiet_option

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address


@click.command()
@site_option
@bus_options()
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="TCP port to serve the page on (default: any free one).",
)
@click.option("--bind", default="127.0.0.1", show_default=True, help="Address to serve the page on.")
@click.option(
    "--open-to-network",
    is_flag=True,
    help="Allow --bind to be an address that other machines reach: whoever has the page's address can look.",
)
@click.option(
    "--trend", "learned", metavar="FOLDER", type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Learn from the runs in this folder, and show what leaves their limits with the faults.",
)  # fmt: skip
@quiet_option
def watch(
    site_path: Path, bus: Address, port: int, bind: str, open_to_network: bool, learned: Path | None
) -> None:
    """Show a bus live in the browser, until Ctrl-C.

    A plan to scale of places, boxes, trains and cranes; jobs, faults and holds; the health of each node; the last
    messages with their verdicts. It only listens. Open the address that it prints, whole: it carries a token,
    without which nothing is shown.

    Example: yardwire watch --site site.toml --broker mqtt://127.0.0.1:1883
    """
    from conformance.commands.options.learned import learned_from
    from conformance.page.server.server import serve
    from conformance.page.server.subscriber import listening
    from protocol.site_file import load_site

    site = load_site(site_path)
    trend = learned_from(learned, site) if learned is not None else None
    with (
        listening(site, bus, trend) as page,
        serve(page, bind, port, open_to_network=open_to_network) as served,
    ):
        told = f"{site.name} at {bus.name}, live: {served.url}\nStop it with Ctrl-C"
        click.echo(served.url if is_quiet() else told)
        Event().wait()
