"""`yardwire measure collect`: pairs with the machine itself, on a real yard, a simulated one, or on virtual time."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.measure.options import entry_of, tell
from conformance.commands.options import consent
from conformance.commands.options.bus import USUAL, bus_options, choice_option
from conformance.commands.options.imperfect import imperfect_option
from conformance.commands.options.site import site_option
from conformance.commands.terminal.quiet import chat, quiet_option
from protocol.caution import KEEP_CLEAR
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.commands.measure.collect.pairs_file import PairsFile
    from conformance.measure.pairs import Pair
    from protocol.site import Site
    from reference_node.measuring.plan import Found, Plan

TRAINS = ("shunter", "branch", "freight")


@click.command()
@click.argument("pairs_path", metavar="PAIRS", type=click.Path(path_type=Path, dir_okay=False))
@site_option
@click.option("--crane", metavar="NAME", help="The crane; not needed where one alone has a table.")
@click.option("--place", metavar="NAME", help="The track; not needed where one alone has a table.")
@click.option("--slot", type=click.IntRange(0), default=0, show_default=True, help="Over which slot.")
@click.option(
    "--train", "trains", multiple=True, metavar="LABEL", help="Locomotives that come in turn; repeatable."
)
@click.option(
    "--largest", type=click.IntRange(1), help="Largest step of each axis (default: a 20th of its range)."
)
@click.option(
    "--patience", type=click.IntRange(10, 3600), default=300, show_default=True,
    help="After so many seconds without a word everything is held, and it ends.",
)  # fmt: skip
@click.option("--keys", is_flag=True, help="Jog by arrow keys; the space bar holds. For a terminal.")
@click.option(
    "--yard", type=click.Choice(["real", "simulated", "virtual"]), default="real", show_default=True,
    help="simulated: reference nodes on a broker of the kit's own. virtual: the same on virtual time, with a "
    "simulated person.",
)  # fmt: skip
@bus_options(
    joins=lambda asked: asked["yard"] == "real",
    otherwise=f"default: {USUAL}; not for a simulated yard",
)
@choice_option("embedded", "Which broker to start for a simulated yard.")
@imperfect_option
@click.option(
    "--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True, help="Of a simulated yard."
)
@click.option(
    "--arrivals", type=click.IntRange(3, 400), default=24, show_default=True,
    help="How many the simulated person measures.",
)  # fmt: skip
@consent.yes_option
@quiet_option
def collect(
    pairs_path: Path, site_path: Path, crane: str | None, place: str | None, slot: int, trains: tuple[str, ...],
    largest: int | None, patience: int, keys: bool, yard: str, bus: Address | None, choice: str,
    imperfect: tuple[str, ...], seed: int, arrivals: int, yes: bool,
) -> int:  # fmt: skip
    """Collect pairs of rest reading and axis position with the machine, and add them to the file PAIRS.

    A train comes in and rests, you jog the crane over the slot and say 'it', the train leaves, again. 'help' names
    the words. Each pair is kept as soon as it is known; started again it goes on with the same file. This is the
    supervisor of the site for as long as it runs: stop every other one first.

    CAUTION: a jog drives an axis straight to its target, whatever stands between. Hands out of crane, track and
    spreader; a switch that removes motor power within reach. A bus message is never an emergency stop.

    \b
    Examples:
      yardwire measure collect pairs.csv --train shunter --train branch
      yardwire measure collect pairs.csv --keys --broker mqtts://broker.local --ca ca.crt --user yard
      yardwire measure collect pairs.csv --yard virtual --imperfect period
    """  # noqa: D301 - click wants the character itself
    from protocol.site_file import load_site
    from reference_node.measuring.plan import Plan

    site = load_site(site_path)
    name, entry = entry_of(site, str(site_path), crane, place)
    if not site.with_role("supervisor"):
        fix = 'Add [nodes.yard] with roles = ["supervisor"]'
        raise Trouble("the site names no supervisor", where=str(site_path), fix=fix)
    if slot >= len(entry.slots):
        raise Trouble(
            f"{entry.place} has slots 0 to {len(entry.slots) - 1}, not {slot}", where=str(site_path)
        )
    if yard == "real" and imperfect:
        raise Trouble(
            "nothing is planted in a real yard", fix="Leave out --imperfect, or take --yard simulated"
        )
    if yard != "real" and bus is not None:
        raise Trouble("a simulated yard has a broker of its own", fix="Leave out --broker, or --yard")
    if keys and not sys.stdin.isatty():
        raise Trouble(
            "nobody is at a keyboard here", fix="Leave out --keys; lines are read from standard input"
        )
    plan = Plan(name, entry.place, slot, largest, patience * 1000, trains)
    if yard == "real":
        _ask_first(site, plan, bus, yes=yes)
    from conformance.commands.measure.collect.pairs_file import PairsFile

    kept = PairsFile(pairs_path)
    if kept.before:
        tell(f"{pairs_path}: {len(kept.before)} pairs are there; more are added")
    if yard == "virtual":
        return _virtual(site, plan, kept, pairs_path, imperfect, seed, arrivals)
    return _on_the_wire(site, plan, kept, pairs_path, bus, choice, imperfect, seed, keys=keys)


def _ask_first(site: Site, plan: Plan, bus: Address | None, *, yes: bool) -> None:
    from reference_node.supervisor.observe.neighbours import beside

    berth = site.places[plan.place].node
    near = {*beside(site, plan.crane), *site.cranes_reaching(plan.place)} - {plan.crane, berth}
    held = ", ".join(sorted(near)) or "nobody else reaches there"
    told = (
        f"{plan.crane} moves over {plan.place} as you say, and homes first if it has to; trains come and leave at "
        f"{berth} as you say. Held meanwhile: {held}."
    )
    caution = (
        "A jog drives an axis straight to its target, whatever stands between: one axis at a time, the hoist up "
        "first and down last, and only while you look."
    )
    consent.require(
        (
            told,
            *consent.of_login(bus),
            caution,
            KEEP_CLEAR.format(it=f"{plan.crane} and {plan.place}"),
        ),
        "Go on?",
        yes=yes,
        instead="take --yard simulated",
    )


def pair_of(found: Found, at_s: float) -> Pair:
    """A pair for the file."""
    from conformance.measure.pairs import Approach, Pair

    way = {True: Approach.UP, False: Approach.DOWN, None: Approach.UNKNOWN}[found.came_up]
    return Pair(found.reading, round(found.position, 3), way, found.train, at_s)


def _virtual(
    site: Site, plan: Plan, kept: PairsFile, path: Path, imperfect: tuple[str, ...], seed: int, arrivals: int
) -> int:
    from dataclasses import replace
    from random import Random

    from conformance.commands.measure.collect.virtual import VirtualMeasurement
    from reference_node.machines.imperfect import imperfect_tracks

    last_s = max((pair.at_s or 0.0 for pair in kept.before), default=0.0)
    tracks = imperfect_tracks(site, imperfect, Random(f"{seed} mechanism"))
    count = 0

    def found(one: Found, now_ms: int) -> None:
        nonlocal count
        count += 1
        kept.add(pair_of(one, last_s + now_ms / 1000))

    plan = replace(plan, trains=plan.trains or TRAINS)
    # Another file, or the same gone on with, is another day: other trains over the same mechanism.
    day = f"{seed} {path.name} {len(kept.before)}"
    made = VirtualMeasurement(site, plan, tracks, Random(day), arrivals, found, lambda _line: None)
    took_ms = made.run()
    if made.course.stays_held or not made.course.ended:
        raise Trouble(made.course.ended or "it did not come to an end", fix="Measure on")
    tell(f"{count} pairs of {arrivals} arrivals in {took_ms / 60_000:.1f} min of virtual time, in {path}")
    return 0


def _on_the_wire(
    site: Site, plan: Plan, kept: PairsFile, path: Path, bus: Address | None, choice: str,
    imperfect: tuple[str, ...], seed: int, *, keys: bool,
) -> int:  # fmt: skip
    from conformance.commands.measure.collect.keys import HELP, keys_of
    from conformance.commands.measure.collect.look_around import require_no_supervisor
    from conformance.commands.measure.collect.simulated import simulated_yard
    from conformance.commands.measure.collect.wire import Lines, Pressed, Session, run
    from conformance.commands.terminal.lines import lines_of

    count = 0

    def found(one: Found) -> None:
        nonlocal count
        count += 1
        pair = pair_of(one, round(datetime.now(UTC).timestamp(), 3))
        kept.add(pair)
        way = f", came {pair.approach}" if pair.approach else ""
        session.tell_later(f"kept: reading {pair.reading}, position {pair.position:g}{way}")

    with ExitStack() as stack:
        eye = None
        if bus is None:
            bus, eye = stack.enter_context(simulated_yard(site, plan, choice, imperfect, seed))
        else:
            require_no_supervisor(site, bus)
        session = Session(site, bus, plan, found, eye)
        with session.running():
            words: Any = None
            if keys:
                words = Pressed(stack.enter_context(keys_of(session.course.crane)))
                for row in HELP.splitlines():
                    click.echo(row)
            else:
                words = Lines(lines_of(sys.stdin), script=not sys.stdin.isatty())
                chat(
                    "Say 'help' for what can be said. Claiming every node, and the name of the supervisor ...",
                    err=False,
                )
            run(session, words)
        tell(f"{count} pairs added to {path}")
    if session.course.stays_held:
        raise Trouble(
            session.course.ended, fix="See what it was; what is held goes on by a person's word alone"
        )
    return 0
