"""`yardwire node`: a reference node in the foreground, of any role, over simulated machines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands import consent
from conformance.commands.bus_options import bus_options, site_option
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from random import Random

    from conformance.bench.address import Address
    from protocol.site import Site
    from protocol.wire.mqtt import MqttHost
    from reference_node.node import Link
    from reference_node.supervisor.question import Question

LOOK_S = 0.5


@click.command()
@click.argument("name")
@site_option
@bus_options()
@click.option(
    "--mqtt", type=click.Choice(["3.1.1", "5"]), default="3.1.1", show_default=True, help="MQTT version."
)
@click.option(
    "--bench", is_flag=True, help="Take sensor inputs from a tester, not from the simulated machine."
)
@click.option(
    "--state-dir",
    type=click.Path(path_type=Path),
    default=None,
    help="Folder for the boot counter; without it every start is that of an erased chip.",
)
@click.option(
    "--seed", type=int, default=None, help="Seed of the simulated machine, to run it again the same way."
)
@click.option(
    "--brief",
    "brief_path",
    type=click.Path(path_type=Path),
    default=None,
    help="For a supervisor: its goal and what stands where, as 'yardwire conform --program' writes them.",
)
@consent.yes_option
def node(
    name: str,
    site_path: Path,
    bus: Address,
    mqtt: str,
    bench: bool,
    state_dir: Path | None,
    seed: int | None,
    brief_path: Path | None,
    yes: bool,
) -> None:
    """Run the reference node NAME of a site until Ctrl-C.

    Its machine is simulated; nothing real moves. It says 'off' when it is stopped. A supervisor is another matter:
    it orders whatever nodes are on the broker, real ones too, and homes every crane at once. Without a brief it
    has no goal; its questions are printed.

    Example: yardwire node north --site site.toml --broker mqtt://127.0.0.1:1883 --bench
    """
    import random
    import secrets

    from protocol.site_file import load_site
    from reference_node.boot_counter import next_boot
    from reference_node.node import Link, node_on_the_wire
    from reference_node.world import World

    site = load_site(site_path)
    _check_name(name, site_path, site)
    supervises = site.nodes[name].is_supervisor
    if bench and supervises:
        raise Trouble(f"{name!r} is a supervisor, and has no sensors for --bench", where=str(site_path))
    if brief_path is not None and not supervises:
        raise Trouble(f"{name!r} is no supervisor, and takes no --brief", where=str(site_path))
    if supervises:
        _allow_orders(name, bus.name, yes=yes)
    boot, lost = secrets.randbits(16), state_dir is None
    if state_dir is not None:
        path = state_dir / f"{name}.boot"
        try:
            boot, lost = next_boot(path, lambda: secrets.randbits(16))
        except OSError as error:
            raise Trouble(
                f"the boot counter cannot be kept: {error.strerror}",
                where=str(path),
                mend="Name a folder that can be written to with --state-dir",
            ) from error
    link = Link(
        bus.host,
        bus.port,
        bus.user,
        bus.password,
        bus.tls_context(),
        5 if mqtt == "5" else 311,
    )
    rng = random.Random(seed)
    if supervises:
        host = _supervisor(site, name, link, boot, rng, brief_path)
    else:
        world = World(site, alone=True)
        host = node_on_the_wire(
            site, name, link, boot=boot, bench=bench, world=world, rng=rng, boot_lost=lost
        )
    host.start()
    try:
        roles = " and ".join(site.nodes[name].roles)
        mode = "on the bench" if bench else "in service"
        click.echo(f"{name}: {roles}, {mode}, boot {boot}, at {bus.name}; stop it with Ctrl-C")
        while True:
            host.wait_failed(LOOK_S)
    finally:
        host.stop()


def _supervisor(
    site: Site, name: str, link: Link, boot: int, rng: Random, brief_path: Path | None
) -> MqttHost:
    from conformance.commands.briefed import briefed_supervisor
    from conformance.played.plan import read_brief
    from protocol.wire.mqtt import monotonic_ms
    from reference_node.supervisor.supervisor import Supervisor

    now_ms = monotonic_ms()
    if brief_path is None:
        made = Supervisor(site, name, boot=boot, rng=rng, started_ms=now_ms, on_question=_ask)
    else:
        brief = read_brief(brief_path, site)
        made = briefed_supervisor(site, name, brief, boot=boot, rng=rng, started_ms=now_ms)
    return link.client(made)


def _allow_orders(name: str, broker: str, *, yes: bool) -> None:
    """Nothing is ordered about without a yes. Raises Trouble."""
    told = f"{name} will order every node of the site that is on {broker}: real machines move"
    consent.require(
        (f"{told}.", consent.KEEP_CLEAR.format(it="them")),
        "May they move?",
        yes=yes,
        instead="take a broker with no machines on it",
    )


def _ask(question: Question) -> None:
    click.echo(f"only a person can tell: {question.text}")


def _check_name(name: str, site_path: Path, site: Site) -> None:
    if name not in site.nodes:
        mend = f"Name one of: {', '.join(site.nodes)}"
        raise Trouble(f"{name!r} is no node of this site", where=str(site_path), mend=mend)
