"""`yardwire node`: a reference node in the foreground, of any role, over simulated machines."""

from __future__ import annotations

from pathlib import Path

import click

from protocol.trouble import Trouble

LOOK_S = 0.5


@click.command()
@click.argument("name")
@click.option(
    "--site",
    "site_path",
    type=click.Path(path_type=Path),
    default=Path("site.toml"),
    show_default=True,
    help="The site file.",
)
@click.option(
    "--broker",
    "url",
    default="mqtt://127.0.0.1:1883",
    show_default=True,
    help="The broker: mqtt://HOST:PORT, or mqtts:// for TLS, with USER:PASSWORD@ in front of the host.",
)
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
def node(
    name: str, site_path: Path, url: str, mqtt: str, bench: bool, state_dir: Path | None, seed: int | None
) -> None:
    """Run the reference node NAME of a site until Ctrl-C.

    Its machine is simulated; nothing real moves. It says 'off' when it is stopped.

    Example: yardwire node north --site site.toml --broker mqtt://127.0.0.1:1883 --bench
    """
    import random
    import secrets

    from conformance.bench.address import parse_address
    from protocol.site_file import load_site
    from reference_node.boot_counter import next_boot
    from reference_node.node import Link, node_on_the_wire
    from reference_node.world import World

    site = load_site(site_path)
    _check_name(name, site_path, {known.name: known.roles for known in site.nodes.values()})
    address = parse_address(url)
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
        address.host,
        address.port,
        address.user,
        address.password,
        address.tls_context(),
        5 if mqtt == "5" else 311,
    )
    rng = random.Random(seed)
    world = World(site, alone=True)
    host = node_on_the_wire(site, name, link, boot=boot, bench=bench, world=world, rng=rng, boot_lost=lost)
    host.start()
    try:
        roles = " and ".join(site.nodes[name].roles)
        mode = "on the bench" if bench else "in service"
        click.echo(f"{name}: {roles}, {mode}, boot {boot}, at {address.name}; stop it with Ctrl-C")
        while True:
            host.wait_failed(LOOK_S)
    finally:
        host.stop()


def _check_name(name: str, site_path: Path, roles: dict[str, tuple[str, ...]]) -> None:
    machines = [known for known, has in roles.items() if set(has) != {"supervisor"}]
    if name in machines:
        return
    what = "is a supervisor, not a machine" if name in roles else "is no node of this site"
    raise Trouble(f"{name!r} {what}", where=str(site_path), mend=f"Name one of: {', '.join(machines)}")
