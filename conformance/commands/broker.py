"""`yardwire broker`: an MQTT broker in the foreground, for a bench that has none."""

from __future__ import annotations

from threading import Event

import click

from conformance.commands.options.bus import choice_option
from conformance.commands.terminal.quiet import is_quiet, quiet_option
from protocol.trouble import Trouble


@click.command(name="broker")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=1883,
    show_default=True,
    help="TCP port to listen on; 0 takes any free one.",
)
@click.option("--bind", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--open-to-network",
    is_flag=True,
    help="Allow --bind to be an address that other machines reach. Anyone there can then command your nodes.",
)
@choice_option(
    "auto",
    "Which broker: a mosquitto found on this machine, the one built in, or the first of them there is.",
)
@quiet_option
def broker(port: int, bind: str, open_to_network: bool, choice: str) -> None:
    """Run an MQTT broker until Ctrl-C.

    It keeps nothing on disk, asks for no password and listens on this machine only, unless --bind names
    another address and --open-to-network says that this is meant.

    Example: yardwire broker --port 1884
    """
    from conformance.bench.brokers.broker import start_broker
    from conformance.bench.network import is_loopback

    if not open_to_network and not is_loopback(bind):
        raise Trouble(
            "a broker there would let the whole network command your nodes",
            where=f"--bind {bind}",
            fix="Leave --bind out, or add --open-to-network if that is meant",
        )
    with start_broker(choice, bind=bind, port=port, open_to_network=open_to_network) as running:
        click.echo(
            running.url if is_quiet() else f"{running.name} listens at {running.url}; stop it with Ctrl-C"
        )
        Event().wait()
