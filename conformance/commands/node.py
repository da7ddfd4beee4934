"""`yardwire node`: reference nodes in the foreground, of any role, over the simulated machines of one yard."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from conformance.commands.options import completing, consent
from conformance.commands.options.bus import bus_options
from conformance.commands.options.imperfect import imperfect_option
from conformance.commands.options.serial import baud_option, serial_option
from conformance.commands.options.site import site_option
from conformance.commands.terminal.quiet import chat, is_quiet, quiet_option
from conformance.commands.terminal.width import width
from protocol.caution import KEEP_CLEAR
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from protocol.site import Site
    from protocol.wire.endpoint import Endpoint
    from protocol.wire.mqtt import MqttHost
    from protocol.wire.serial.node_host import LineHost
    from reference_node.machines.world import World
    from reference_node.supervisor.questions.question import Question

LOOK_S = 0.5
MECHANISM = 1
"""The seed of imperfect mechanisms where none is named: a mechanism stays as it is from one start to the next."""


@click.command()
@click.argument("names", nargs=-1, metavar="[NAME]...", shell_complete=completing.nodes)
@click.option(
    "--all", "every", is_flag=True, help="Run every node of the site but supervisors, in one simulated yard."
)
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
    help="Folder for the boot counters; without it every start is that of an erased chip.",
)
@click.option(
    "--seed",
    type=int,
    default=None,
    help="Seed of the simulated machines, to run them again the same way. Boots are new all the same; not for a "
    "supervisor.",
)
@imperfect_option
@click.option(
    "--brief",
    "brief_path",
    type=click.Path(path_type=Path),
    default=None,
    help="For a supervisor: its goal and what stands where, as 'yardwire conform --program' writes them.",
)
@serial_option("Put the node, one alone, on a serial line instead of a broker.")
@baud_option
@consent.yes_option
@quiet_option
def node(
    names: tuple[str, ...],
    every: bool,
    site_path: Path,
    bus: Address,
    mqtt: str,
    bench: bool,
    state_dir: Path | None,
    seed: int | None,
    imperfect: tuple[str, ...],
    brief_path: Path | None,
    serial_port: str | None,
    baud: int,
    yes: bool,
) -> None:
    """Run the reference nodes NAME ... of a site until Ctrl-C.

    Their machines are simulated; nothing real moves. Nodes of one command share one yard: a box that one crane sets
    down is there for the next, and a train is where its berth has stopped it. Nodes of several commands do not. A
    slot that no crane here has touched holds a box when one looks for it.

    They say 'off' when they are stopped. Where a node of such a name is on the broker already, which may be a real
    one, it asks before it takes that one's place; with a login it asks without a look, which could throw off who has
    that login. A supervisor is another matter: it orders whatever nodes are on the broker, real ones too, and homes
    every crane at once. Without a brief it has no goal; its questions are printed.

    Example: yardwire node --all --site site.toml --broker mqtt://127.0.0.1:1883
    """
    import random
    from dataclasses import replace

    from conformance.bench.connection.several import require_several
    from conformance.commands.held import EVERYTHING, held_at_its_end
    from conformance.commands.options.twins import require_free
    from protocol.site_file import load_site
    from reference_node.machines.imperfect import planted_tracks
    from reference_node.machines.world import World
    from reference_node.node import node_on_the_wire

    site = load_site(site_path)
    names = _names(names, every, site_path, site)
    supervisors = [name for name in names if site.nodes[name].is_supervisor]
    machines = [name for name in names if name not in supervisors]
    _require_sense(
        supervisors, machines, site_path, bench=bench, brief=brief_path is not None, seeded=seed is not None,
        imperfect=bool(imperfect), on_a_line=serial_port is not None,
    )  # fmt: skip
    for name in supervisors:
        _allow_orders(name, bus.name, yes=yes)
    if serial_port is not None:
        _on_a_line(site, names, (serial_port, baud), state_dir, bench=bench, seed=seed)
    boots = {name: _boot(state_dir, name) for name in names}
    require_free(site.name, machines, bus, yes=yes)
    if len(names) > 1:
        require_several(
            bus, "each node is a connection", instead="Start each node by itself, with its own user"
        )
    endpoint = replace(bus.endpoint(), version=5 if mqtt == "5" else 311)
    world = World(
        site, alone=True, imperfect=planted_tracks(site, imperfect, MECHANISM if seed is None else seed)
    )
    with ExitStack() as running:
        hosts: list[MqttHost] = []
        for name in names:
            boot, lost = boots[name]
            if name in supervisors:
                host, hold = _supervisor(site, name, endpoint, boot, brief_path)
            else:
                rng = random.Random(None if seed is None else f"{seed}/{name}")
                host = node_on_the_wire(
                    site, name, endpoint, boot=boot, bench=bench, world=world, rng=rng, boot_lost=lost
                )
            running.callback(host.stop)
            host.start()
            if name in supervisors:
                running.enter_context(held_at_its_end(hold, EVERYTHING))
            hosts.append(host)
            roles = " and ".join(site.nodes[name].roles)
            mode = "on the bench" if bench else "in service"
            chat(
                f"{name}: {roles}, {mode}, boot {boot}, at {bus.name}; stop it with Ctrl-C",
                err=False,
                whole=True,
            )
        _tell_what_is_shared(site, machines, bench=bench)
        _wait(hosts, world, StandingTrains(site, machines, world) if imperfect else None)


def _require_sense(
    supervisors: Sequence[str], machines: Sequence[str], site_path: Path,
    *, bench: bool, brief: bool, seeded: bool, imperfect: bool, on_a_line: bool,
) -> None:  # fmt: skip
    """Raise Trouble for options that mean nothing to these nodes."""
    if bench and supervisors:
        raise Trouble(
            f"{supervisors[0]!r} is a supervisor, and has no sensors for --bench", where=str(site_path)
        )
    if brief and not supervisors:
        raise Trouble(f"{machines[0]!r} is not a supervisor and takes no --brief", where=str(site_path))
    if seeded and not machines:
        raise Trouble("a supervisor draws nothing from a seed", fix="Leave out --seed")
    if imperfect and (on_a_line or not machines):
        raise Trouble(
            "an imperfect mechanism is between a crane and a track: run both in one command, on a broker",
            fix="Name both nodes, or take --all",
        )


def _on_a_line(
    site: Site,
    names: Sequence[str],
    line: tuple[str, int],
    state_dir: Path | None,
    *,
    bench: bool,
    seed: int | None,
) -> NoReturn:
    """Run one node at the end of a serial line until Ctrl-C. Raises Trouble."""
    import random

    from protocol.wire.serial.port import SerialPort
    from reference_node.machines.world import World
    from reference_node.node import node_on_a_line

    if len(names) != 1 or site.nodes[names[0]].is_supervisor:
        raise Trouble("one line carries one node, and no supervisor", fix="Name one node with --serial")
    name, boot = names[0], _boot(state_dir, names[0])
    world = World(site, alone=True)
    rng = random.Random(None if seed is None else f"{seed}/{name}")
    host = node_on_a_line(
        site, name, lambda: SerialPort(*line),
        boot=boot[0], bench=bench, world=world, rng=rng, boot_lost=boot[1], rate=line[1],
    )  # fmt: skip
    host.start()
    try:
        mode = "on the bench" if bench else "in service"
        roles = " and ".join(site.nodes[name].roles)
        chat(
            f"{name}: {roles}, {mode}, boot {boot[0]}, on {line[0]}; stop it with Ctrl-C",
            err=False,
            whole=True,
        )
        _wait([host], world)
    finally:
        host.stop()


def _names(named: tuple[str, ...], every: bool, site_path: Path, site: Site) -> tuple[str, ...]:
    """The nodes to run. Raises Trouble."""
    for name in named:
        _check_name(name, site_path, site)
        if named.count(name) > 1:
            raise Trouble(f"{name!r} is named twice", fix="Name every node once")
    machines = [name for name, node in site.nodes.items() if every and not node.is_supervisor]
    names = tuple(dict.fromkeys((*machines, *named)))
    if not names:
        raise Trouble(
            "no node is named",
            where=str(site_path),
            fix=f"Take --all, or name one of: {', '.join(site.nodes)}",
        )
    return names


def _boot(state_dir: Path | None, name: str) -> tuple[int, bool]:
    """The boot of this start, and whether the counter was lost. Raises Trouble."""
    import secrets

    from reference_node.boot_counter import next_boot

    if state_dir is None:
        return secrets.randbits(16), True
    path = state_dir / f"{name}.boot"
    try:
        return next_boot(path, lambda: secrets.randbits(16))
    except OSError as error:
        raise Trouble(
            f"the boot counter cannot be kept: {error.strerror}",
            where=str(path),
            fix="Name a folder that can be written to with --state-dir",
        ) from error


def _tell_what_is_shared(site: Site, here: Sequence[str], *, bench: bool) -> None:
    """Say which boxes and trains these machines see, and whose they do not; on the bench a tester plays them."""
    if bench or not here or is_quiet():
        return
    elsewhere = [name for name, node in site.nodes.items() if name not in here and not node.is_supervisor]
    lines = ["A slot that no crane here has touched holds a box when one looks for it."]
    if len(here) > 1:
        lines.insert(
            0, f"{', '.join(here)} share one simulated yard: what one sets down is there for the others."
        )
    if elsewhere:
        lines.append(
            f"Not shared with {', '.join(elsewhere)}: boxes that they set down or take, trains and cars that they "
            "move are not seen here. 'yardwire node --all' runs all nodes in one yard."
        )
    click.echo(click.wrap_text(" ".join(lines), width(sys.stdout)))


class StandingTrains:
    """Tells where a train has come to rest: what a person who measures would see."""

    def __init__(self, site: Site, here: Sequence[str], world: World) -> None:
        self._world = world
        self._stood: dict[tuple[str, str], float | None] = {
            pair: None for pair in world.imperfect if pair[0] in here
        }
        self._axes = {name: node.crane.axes[0] for name, node in site.nodes.items() if node.crane is not None}

    def tell(self) -> None:
        """A line for each train that has come to rest since."""
        for (crane, place), before in self._stood.items():
            stands = self._world.rests_at(crane, place)
            self._stood[crane, place] = stands
            axis = self._axes[crane]
            if stands is not None and stands != before and axis.least <= stands <= axis.most:
                click.echo(
                    f"in the simulated yard: a train rests at {place}; over a slot, axis {axis.name} of {crane} is "
                    f"right at {stands:.1f} and what the slot adds"
                )


def _wait(
    hosts: Sequence[MqttHost | LineHost], world: World, stands: StandingTrains | None = None
) -> NoReturn:
    """Tell of every box that falls, until Ctrl-C or the end of a host. Raises what ended it."""
    told = 0
    while True:
        if stands is not None:
            stands.tell()
        hosts[0].wait_failed(LOOK_S)
        for host in hosts[1:]:
            host.wait_failed(0)
        for accident in world.accidents[told:]:
            click.echo(f"in the simulated yard: {accident}")
            told += 1


def _supervisor(
    site: Site, name: str, endpoint: Endpoint, boot: int, brief_path: Path | None
) -> tuple[MqttHost, Callable[[], list[str]]]:
    """It on its host, and what holds every node that it has at work."""
    from random import SystemRandom

    from conformance.commands.conform.briefed import briefed_supervisor
    from conformance.commands.supervise.held import hold_at_work
    from conformance.suite.brief import read_brief
    from protocol.wire.mqtt import MqttHost, monotonic_ms
    from reference_node.supervisor.supervisor import Supervisor

    now_ms, rng = monotonic_ms(), SystemRandom()  # Tokens and claims are never those of another start.
    if brief_path is None:
        made = Supervisor(site, name, boot=boot, rng=rng, started_ms=now_ms, on_question=_ask)
    else:
        brief = read_brief(brief_path, site)
        made = briefed_supervisor(site, name, brief, boot=boot, rng=rng, started_ms=now_ms)
    host = MqttHost.at(endpoint, made)
    return host, partial(hold_at_work, host, made, monotonic_ms)


def _allow_orders(name: str, broker: str, *, yes: bool) -> None:
    """Nothing is ordered about without a yes. Raises Trouble."""
    told = f"{name} will order every node of the site that is on {broker}: real machines move"
    consent.require(
        (f"{told}.", KEEP_CLEAR.format(it="them")),
        "May they move?",
        yes=yes,
        instead="take a broker with no machines on it",
    )


def _ask(question: Question) -> None:
    click.echo(f"only a person can tell: {question.text}")


def _check_name(name: str, site_path: Path, site: Site) -> None:
    if name not in site.nodes:
        fix = f"Name one of: {', '.join(site.nodes)}"
        raise Trouble(f"{name!r} is not a node of this site", where=str(site_path), fix=fix)
