"""`yardwire replay`: a recording said again on a broker."""

from __future__ import annotations

import json
import re
from pathlib import Path

import click

from protocol.trouble import Trouble


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--broker", metavar="URL", default="mqtt://localhost", show_default=True, help="Where to say it."
)
@click.option(
    "--speed", type=click.FloatRange(0.001), default=1.0, show_default=True, help="2 is twice as fast."
)
@click.option("--fast", is_flag=True, help="As fast as the broker acknowledges.")
@click.option("--node", "nodes", multiple=True, metavar="NAME", help="Only what this node said.")
@click.option("--supervisor", is_flag=True, help="Only orders and what the supervisor said.")
@click.option(
    "--boot", "boots", multiple=True, metavar="NODE=N", help="Stamp this boot of NODE, or 'now' for its own."
)
@click.option("--renumber", is_flag=True, help="Count the seq of every topic from 0.")
@click.option("--in-service", is_flag=True, help="Once: also to nodes that are live and not on the bench.")
@click.option("--hands-off", is_flag=True, help="Twice: nobody has a hand in any machine of the layout.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def replay(
    recordings: tuple[Path, ...],
    broker: str,
    speed: float,
    fast: bool,
    nodes: tuple[str, ...],
    supervisor: bool,
    boots: tuple[str, ...],
    renumber: bool,
    in_service: bool,
    hands_off: bool,
    as_json: bool,
) -> int:
    """Publish a recording again.

    Retained messages that the recording began with are left out. CAUTION: orders move machines. Before
    anything is published, the bus is listened to; while a node is live there and not on the bench, nothing is
    sent unless both --in-service and --hands-off are given. A bus message is never an emergency stop: keep
    the switch that removes motor power at hand.

    \b
    Examples:
      yardwire replay run.ywrec --node siding --speed 4
      yardwire replay run.ywrec --supervisor --boot north=12 --fast
      yardwire replay fuzz-corpus/case.ywrec --supervisor --boot north=now
    """  # noqa: D301 - click wants the character itself
    from conformance.bench.address import parse_address
    from conformance.traffic.files import source
    from conformance.traffic.replay import Part, connected, say, who_is_live
    from conformance.traffic.restamp import Restamp

    if nodes and supervisor:
        raise click.UsageError("--node and --supervisor exclude each other")
    wanted = dict(map(_boot, boots))
    recording = source(recordings)
    part = Part(frozenset(nodes), supervisor)
    address = parse_address(broker)
    with connected(address) as client:
        click.echo(f"Listening on {address.name} for who is there ...", err=True)
        live, boots_now = who_is_live(client, recording.header.site)
        _refuse(live, part.nodes, told_twice=in_service and hands_off)
        restamp = Restamp(_stamps(wanted, boots_now), renumber=renumber)
        number = say(client, part.of(recording.items()), restamp, speed=None if fast else speed)
    if not number:
        raise Trouble("nothing of the recording is to be said", where=recording.name, mend="Check --node")
    if as_json:
        click.echo(json.dumps({"published": number, "live": live, "notes": recording.cuts}, indent=2))
    else:
        click.echo(f"{recording.name}: {number:,} messages published on {address.name}")
        for cut in recording.cuts:
            click.echo(f"note: {cut}", err=True)
    return 0


def _boot(text: str) -> tuple[str, int | None]:
    """A node and a boot, None for the one that it is in."""
    found = re.fullmatch(r"([A-Za-z0-9-]{1,8})=([0-9]{1,5}|now)", text)
    if found is None or (found[2] != "now" and int(found[2]) > 65535):
        raise click.UsageError(
            f"--boot {text}: write it as north=12, with a boot of 0 to 65535, or north=now"
        )
    return found[1], None if found[2] == "now" else int(found[2])


def _stamps(wanted: dict[str, int | None], now: dict[str, int]) -> dict[str, int]:
    silent = [name for name, boot in wanted.items() if boot is None and name not in now]
    if silent:
        raise Trouble(
            f"{silent[0]} was not heard, so its boot is not known", mend="Switch it on, or give a number"
        )
    return {name: now[name] if boot is None else boot for name, boot in wanted.items()}


def _refuse(live: dict[str, bool | None], speaks_as: frozenset[str], *, told_twice: bool) -> None:
    """Refuse to drive what is live, or to speak in its name, unless that was said twice."""
    concerned = {name: bench for name, bench in live.items() if not speaks_as or name in speaks_as}
    serving = sorted(name for name, bench in concerned.items() if not bench)
    if not serving or told_twice:
        return
    names = ", ".join(serving)
    raise Trouble(
        f"live and not on the bench: {names}; a replay could move real machines or speak in their name",
        mend="Start them with bench mode, replay to another broker, or give both --in-service and --hands-off",
    )
