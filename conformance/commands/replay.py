"""`yardwire replay`: a recording said again on a broker."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands.held import held_at_its_end
from conformance.commands.options import consent, json_output
from conformance.commands.options.bus import bus_options
from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat, quiet_option, say_result
from protocol.caution import KEEP_CLEAR
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.recordings.replay.presence import NodePresence
    from conformance.recordings.replay.replay import Session
    from conformance.recordings.replay.schedule import Schedule


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@bus_options()
@click.option(
    "--speed", type=click.FloatRange(0.001), default=1.0, show_default=True, help="2 is twice as fast."
)
@click.option("--fast", is_flag=True, help="As fast as the broker acknowledges.")
@click.option("--node", "nodes", multiple=True, metavar="NAME", help="Only what this node said.")
@click.option("--supervisor", is_flag=True, help="Only orders and what the supervisor said.")
@click.option(
    "--boot", "boots", multiple=True, metavar="NODE=N", help="Stamp this boot of NODE, or 'now' for its own."
)
@click.option(
    "--rename", "rules", multiple=True, metavar="OLD=NEW",
    help="Say what OLD said, or was told, as NEW: a node, or place:OLD=NEW, site:OLD=NEW; repeatable.",
)  # fmt: skip
@click.option("--renumber", is_flag=True, help="Count the seq of every topic from 0.")
@click.option(
    "--in-service", is_flag=True, help="Once: also where nodes are live, or may be, and not on the bench."
)
@click.option("--hands-off", is_flag=True, help="Twice: nobody has a hand in any machine of the layout.")
@consent.yes_option
@quiet_option
@json_output.json_option("Print the summary as one JSON document.")
def replay(
    recordings: tuple[Path, ...],
    bus: Address,
    speed: float,
    fast: bool,
    nodes: tuple[str, ...],
    supervisor: bool,
    boots: tuple[str, ...],
    rules: tuple[str, ...],
    renumber: bool,
    in_service: bool,
    hands_off: bool,
    yes: bool,
    as_json: bool,
) -> int:
    """Publish a recording again.

    Retained messages that the recording began with are left out. CAUTION: orders move machines. Before anything is
    said again every node is asked, for five seconds: while one is live, or may be, and is not shown to be on the
    bench, nothing is sent unless both --in-service and --hands-off are given. Bench mode is no proof that motors are
    off, so before any order but a hold it says what may move and waits for a yes. A node that comes later, or leaves
    the bench, stops it. With --rename the gates look at the new names, and so does --boot. A bus message is never an
    emergency stop: keep the switch that removes motor power at hand.

    \b
    Examples:
      yardwire replay run.ywrec --node siding --speed 4
      yardwire replay run.ywrec --supervisor --boot north=12 --fast
      yardwire replay monday.ywrec#7 --node siding
      yardwire replay run.ywrec --node north --rename north=spare
      yardwire replay fuzz-corpus/case.ywrec --supervisor --boot north=now
    """  # noqa: D301 - click wants the character itself
    from conformance.recordings.replay.rename import rename_of
    from conformance.recordings.replay.replay import connected, say
    from conformance.recordings.replay.restamp import Restamp
    from conformance.recordings.replay.schedule import Selection, schedule_of
    from conformance.recordings.runs.opening import opened

    if nodes and supervisor:
        raise click.UsageError("--node and --supervisor exclude each other")
    wanted = dict(map(_boot, boots))
    rename = rename_of(rules)
    recording = opened(recordings)
    selection = Selection(frozenset(nodes) if nodes else None, supervisor)
    schedule = schedule_of(rename.of(selection.of(recording.items())))
    if not schedule.messages:
        raise Trouble("nothing of the recording is selected", where=recording.name, fix="Check --node")
    recording.cuts.clear()  # They are told of the second reading.
    with connected(bus, schedule, rename.nodes(selection.nodes)) as session:
        there = _look_around(session, schedule, bus.name, told_twice=in_service and hands_off)
        _ask_first(schedule, there, bus.name, yes=yes)
        session.check()
        restamp = Restamp(_stamps(wanted, session.boots()), renumber=renumber)
        far = progress.Progress("messages", schedule.messages)
        with held_at_its_end(session.hold, "every machine"):
            number, off = say(
                session,
                rename.of(selection.of(recording.items())),
                restamp,
                schedule,
                speed=None if fast else speed,
                tick=far.at,
            )
    progress.clear()
    if as_json:
        live = {name: one.why for name, one in there.items()}
        json_output.tell({"published": number, "off": off, "live": live}, notes=recording.cuts)
    else:
        say_result(f"{recording.name}: {number:,} messages published on {bus.name}")
        if off:
            say_result(f"At the end 'off' was said for {', '.join(off)}: the recording leaves them on")
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
            f"{silent[0]} was not heard, so its boot is not known", fix="Switch it on, or give a number"
        )
    return {name: now[name] if boot is None else boot for name, boot in wanted.items()}


def _look_around(
    session: Session, schedule: Schedule, where: str, *, told_twice: bool
) -> Mapping[str, NodePresence]:
    """Who is there and concerned. Raises Trouble where somebody may be live and in service, unless told twice."""
    from conformance.recordings.replay.presence import Standing

    if schedule.only_holds:
        return {}  # No gate keeps a hold back.
    chat(f"Asking on {where} who is there ...")
    there = {name: one for name, one in session.look_around().items() if one.standing is not Standing.GONE}
    serving = {name: one.why for name, one in sorted(there.items()) if one.standing is Standing.SERVICE}
    if serving and not told_twice:
        names = ", ".join(f"{name} ({why})" for name, why in serving.items())
        raise Trouble(
            f"may be live and not on the bench: {names}; a replay could move real machines or speak in their name",
            where=where,
            fix="Start them in bench mode, take a broker without them, or give both --in-service and --hands-off",
        )
    return there


def _ask_first(schedule: Schedule, there: Mapping[str, NodePresence], where: str, *, yes: bool) -> None:
    """Say what may move and wait for a yes. Raises Trouble."""
    if not schedule.moving:
        return
    number = sum(acts.total() for acts in schedule.moving.values())
    who = ", ".join(f"{name} ({one.why})" for name, one in sorted(there.items())) or "nobody"
    consent.require(
        (
            f"{number} orders go out on {where}, and whoever obeys them may move:",
            *schedule.told(),
            f"Heard there: {who}. Bench mode, or silence, is no proof that motors are off.",
            KEEP_CLEAR.format(it="every machine"),
        ),
        "May they move?",
        yes=yes,
        instead="take a broker with no machines on it",
    )
