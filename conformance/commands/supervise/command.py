"""`yardwire supervise`: the mock supervisor, with a scenario or by hand, on virtual time, simulated or for real."""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options import completing, consent
from conformance.commands.options.bus import USUAL, bus_options, choice_option
from conformance.commands.options.json_output import json_option
from conformance.commands.options.settings import SITE, setting
from conformance.commands.supervise.outcome import indented, summed_up, told_at_its_end, told_by_hand
from conformance.commands.terminal.quiet import chat, quiet_option, say_result
from conformance.commands.terminal.width import width
from protocol.caution import KEEP_CLEAR
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.commands.supervise.prompt import Prompt
    from conformance.commands.supervise.yard import WireYard
    from conformance.page.server.live_model import LivePage
    from conformance.page.server.saved_orders import SavedOrders
    from protocol.site import Site
    from reference_node.scenario.scenario import Scenario

LOOK_S = 0.05
DONE = "done"
"""What a person says who has done what the bus cannot show."""
LEAVE_S = 60.0
"""How long jobs under way may take to come to their end after 'quit'."""


@click.command()
@click.argument("scenario", required=False, shell_complete=completing.scenarios)
@click.option(
    "--site",
    "site_path",
    type=click.Path(path_type=Path),
    default=None,
    help="The site file (default: site.toml, or the kit's own harlow-basin where nothing real is asked for).  "
    f"[{SITE} or the configuration file, for a real yard]",
)
@click.option(
    "--yard",
    type=click.Choice(["virtual", "simulated", "real"]),
    default=None,
    help="virtual: simulated nodes, time runs as fast as it can (default with a scenario). simulated: reference "
    "nodes on a broker. real: whatever nodes are on the bus (default without a scenario).",
)
@bus_options(
    joins=lambda asked: _yard(asked["scenario"], asked["yard"]) == "real",
    otherwise=f"default: {USUAL} for a real yard, one of its own for a simulated one",
)
@choice_option("embedded", "Which broker to start for a simulated yard without --broker.")
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=None,
    help="Another seed than the scenario's. On a broker it is for the simulated machines only: boots, tokens and "
    "claims are new at each start. Not for a real yard.",
)
@click.option("--page", is_flag=True, help="Serve the live page with buttons for orders, on loopback.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="TCP port of the page (default: any free)."
)
@click.option(
    "--orders", "orders_path", type=click.Path(path_type=Path, dir_okay=False),
    help="File of saved orders for prompt and page (default: orders.toml beside the site file).",
)  # fmt: skip
@consent.yes_option
@quiet_option
@json_option("Tell how it ended as one JSON document.")
@click.option("--list", "listing", is_flag=True, help="List the scenarios that come with the kit.")
def supervise(
    scenario: str | None, site_path: Path | None, yard: str | None, bus: Address | None, choice: str, seed: int | None,
    page: bool, port: int, orders_path: Path | None, yes: bool, as_json: bool, listing: bool,
) -> int:  # fmt: skip
    """Supervise a yard: by a SCENARIO (a file, or a name of --list), or by hand at a prompt.

    It claims every node, asks a person what only a person can see, plans, orders, and plans again when things turn out
    otherwise. A scenario ends with 0 when all came as it expects, else with 1.

    A bus message is never an emergency stop. Keep a switch within reach that removes motor power.

    Example: yardwire supervise 04-one-train
    """
    from reference_node.scenario.scenario_file import library, load_scenario

    if listing:
        return _list(library)
    yard = _yard(scenario, yard)
    site = _site(site_path, real=yard == "real")
    if scenario is None and yard == "virtual":
        raise Trouble("on virtual time nobody can type", fix="Name a scenario, or take --yard simulated")
    if page and yard == "virtual":
        raise Trouble("on virtual time there is nothing to look at", fix="Take --yard simulated or real")
    if seed is not None and yard == "real":
        raise Trouble("nothing in a real yard is drawn from a seed", fix="Leave out --seed")
    story = load_scenario(scenario, site) if scenario else _by_hand(site, simulated=yard == "simulated")
    story = replace(story, seed=seed) if seed is not None else story
    if yard == "virtual":
        from reference_node.scenario.virtual_stage import play

        return told_at_its_end(story, play(story, site), as_json)
    saved = _saved(site, site_path, orders_path, real=yard == "real")
    settings = _Settings(yard, scenario is None, page, port, yes, as_json, saved)
    return _on_the_wire(story, site, bus, choice, settings)


def _yard(scenario: str | None, yard: str | None) -> str:
    """Where it plays: as asked for, else on virtual time with a scenario, and for real without."""
    return yard or ("virtual" if scenario else "real")


def _site(path: Path | None, *, real: bool) -> Site:
    from protocol.site_file import load_site
    from protocol.site_file import scenario as kits_own

    usual = Path("site.toml")
    if path is None and not usual.exists() and not real:
        return kits_own()
    where = path or (Path(setting(SITE) or usual) if real else usual)
    site = load_site(where)
    if not site.with_role("supervisor"):
        fix = 'Add [nodes.yard] with roles = ["supervisor"]'
        raise Trouble("the site names no supervisor", where=str(where), fix=fix)
    if all(node.is_supervisor for node in site.nodes.values()):
        raise Trouble(
            "the site names no node that could be supervised", where=str(where), fix="Add its nodes"
        )
    return site


def _saved(site: Site, site_path: Path | None, path: Path | None, *, real: bool) -> SavedOrders:
    """The orders that are kept under a name. Raises Trouble."""
    from conformance.page.server.saved_orders import USUAL as USUAL_ORDERS
    from conformance.page.server.saved_orders import SavedOrders

    if path is not None and not path.parent.is_dir():
        raise Trouble("there is no such folder", where=str(path.parent), fix="Make it first")
    return SavedOrders(
        site, path or (site_path or Path(setting(SITE) or "site.toml")).with_name(USUAL_ORDERS)
    )


def _list(library: Any) -> int:
    import tomllib

    for name, file in library().items():
        say_result(f"{name}\n    {tomllib.loads(file.read_text(encoding='utf-8'))['title']}")
    return 0


def _by_hand(site: Site, *, simulated: bool) -> Scenario:
    """No goals but those of the prompt; in a simulated yard some boxes, so that there is something to move."""
    from protocol.site import PlaceKind
    from reference_node.scenario.scenario import Person, Scenario

    stacks = [place for place in site.places.values() if place.kind is PlaceKind.STACK]
    contents = {
        place.name: tuple(f"C-{100 + slot}" if slot < place.slots - 1 else "" for slot in range(place.slots))
        for place in stacks[:1]
    }
    return Scenario(
        site.name, "by hand", 1 << 62, known=simulated, contents=contents if simulated else {},
        person=Person(answers=simulated, walk_ms=1_000, lets_go_on=False),
    )  # fmt: skip


# ---------------------------------------------------------------- on a broker
class _Settings:
    """What was asked for on the command line."""

    def __init__(
        self, yard: str, prompt: bool, page: bool, port: int, yes: bool, as_json: bool, saved: SavedOrders
    ) -> None:
        self.real, self.prompt, self.page, self.port = yard == "real", prompt, page, port
        self.yes, self.as_json, self.saved = yes, as_json, saved


def _on_the_wire(
    scenario: Scenario, site: Site, bus: Address | None, choice: str, settings: _Settings
) -> int:
    from conformance.bench.brokers.broker import start_broker
    from conformance.bench.connection.several import require_several
    from conformance.bench.tap.tap import monotonic_us
    from conformance.commands.held import EVERYTHING, held_at_its_end
    from conformance.commands.supervise.yard import WireYard
    from conformance.page.server.live_model import LivePage

    _ask_first(site, settings, bus)
    with start_broker(choice, at=bus) as broker:
        if bus is not None and not settings.real:
            require_several(bus, "a simulated yard is several nodes")
        live = LivePage(site, broker.name, monotonic_us) if settings.page else None
        yard = WireYard(scenario, site, broker, simulated=not settings.real, page=live)
        with yard.running(), _page(yard, live, settings):
            if not settings.as_json:
                chat(f"{site.name} at {broker.name}; stop it with Ctrl-C", err=False, whole=True)
            # Nodes that stay when this ends: `quit` is the way to let their jobs come to their end.
            others = settings.real or bus is not None
            with held_at_its_end(yard.hold_at_work, EVERYTHING) if others else nullcontext():
                if settings.prompt or settings.real or settings.page:
                    return _at_the_prompt(yard, settings)
                return _watched(yard, settings)


def _ask_first(site: Site, settings: _Settings, bus: Address | None) -> None:
    """Say what may move and wait for a yes: real nodes, or those that may be on somebody else's broker."""
    if not settings.real and bus is None:
        return
    cranes = ", ".join(node.name for node in site.with_role("crane"))
    told = (
        f"real machines will move: cranes ({cranes}) home as soon as every node has answered"
        if cranes
        else "real machines will move as you order"
    )
    if not settings.real:
        told = "real machines that are on that broker will move, as simulated ones do"
        told += f": cranes ({cranes}) home at once" if cranes else ""
    consent.require(
        (
            f"{told[0].upper()}{told[1:]}.",
            *consent.of_login(bus),
            KEEP_CLEAR.format(it="all machines and tracks"),
        ),
        "Go on?",
        yes=settings.yes,
        instead="leave out --broker, and take --yard simulated",
    )


@contextmanager
def _page(yard: WireYard, live: LivePage | None, settings: _Settings) -> Iterator[None]:
    """The live page, with the supervisor's desk behind its buttons."""
    if live is None:
        yield
        return
    from conformance.page.server.server import serve
    from reference_node.supervisor.person.by_hand import ByHand

    with ExitStack() as stack:
        desk = ByHand(lambda: yard.supervisor, "the page")
        served = stack.enter_context(
            serve(live, port=settings.port, desk=desk, owner=yard.call, saved=settings.saved)
        )
        click.echo(f"live, with orders: {served.url}")
        yield


def _watched(yard: WireYard, settings: _Settings) -> int:
    """Follow a scenario to its end, telling what happens as it happens."""
    told = 0
    while not yard.over:
        time.sleep(LOOK_S)
        yard.go_on()
        if not settings.as_json:
            told = _tell_new(yard, told)
    outcome = yard.ended()
    if settings.as_json:
        return told_at_its_end(yard.scenario, outcome, as_json=True)
    _tell_new(yard, told)
    return summed_up(outcome)


def _tell_new(yard: WireYard, told: int) -> int:
    from conformance.commands.terminal.streams import red
    from reference_node.supervisor.observe.gap import AWAY

    log = list(yard.story.log)
    for line in log[told:]:
        said = indented(" " * 9, line)
        click.echo(red(said) if AWAY in line else said)
    return len(log)


# ---------------------------------------------------------------- by hand
def _at_the_prompt(yard: WireYard, settings: _Settings) -> int:
    """Read lines until 'quit', the end of input or the end of the scenario."""
    from conformance.commands.held import EVERYTHING, tell
    from conformance.commands.supervise.prompt import Prompt
    from conformance.commands.terminal.lines import lines_of
    from reference_node.supervisor.person.by_hand import ByHand

    words = Prompt(ByHand(lambda: yard.supervisor, "the prompt"), settings.saved)
    lines = lines_of(sys.stdin)
    chat("Say 'help' for what can be said.", err=False)
    told = asked = 0
    while settings.prompt or not yard.over:
        yard.go_on()
        told = _tell_new(yard, told)
        asked = _tell_questions(yard, words, asked)
        for event in yard.take_events():
            then = "" if event.on_the_bus else "; then say 'done'"
            click.echo(indented("  ", f"DO THIS NOW: {event.event}{then}"))
        try:
            line = lines.get(timeout=LOOK_S)
        except queue.Empty:
            continue
        if line is None and not settings.prompt:
            lines = queue.Queue()  # Nobody types; the scenario goes on.
            continue
        if line is None or line.strip() in ("quit", "exit"):
            break
        if line.strip() == DONE:
            say_result(f"taken: {yard.said_done() or 'nothing waits for that'}")
            continue
        _reply(yard, words, line)
    stopped = not yard.over
    told = _leave(yard, told, words, lines)
    outcome = yard.ended(stopped=stopped)
    _tell_new(yard, told)
    if yard.under_way:
        if settings.real:
            tell(yard.hold_at_work, EVERYTHING)
        late = f"after {LEAVE_S:g} s nothing was heard of the end of: {', '.join(yard.under_way)}"
        outcome = replace(outcome, wrong=(*outcome.wrong, late))
    if settings.prompt:
        return told_by_hand(outcome, yard.under_way)
    return told_at_its_end(yard.scenario, outcome, as_json=True) if settings.as_json else summed_up(outcome)


def _reply(yard: WireYard, words: Prompt, line: str) -> None:
    reply: list[str] = []
    yard.call(lambda: reply.extend(words.do(line)))
    for row in reply:
        click.echo(indented("    ", row) if len(row) > width(sys.stdout) else row)


def _tell_questions(yard: WireYard, words: Prompt, asked: int) -> int:
    """Say again what is asked whenever a question has come up."""
    count, own = yard.asked()
    person = yard.scenario.person
    if count > asked and (yard.yard is None or not person.answers or (own and not person.lets_go_on)):
        _reply(yard, words, "questions")
    return count


def _leave(yard: WireYard, told: int, words: Prompt, lines: queue.Queue[str | None]) -> int:
    """No more orders; what is under way comes to its end. A hold is heard all the while, and all else that is said."""
    yard.wind_up()
    if yard.under_way:
        jobs = ", ".join(yard.under_way)
        still = f"under way: {jobs}; 'hold' is still heard, and Ctrl-C holds all of it and ends at once"
        click.echo(indented("  ", still))
    end = time.monotonic() + LEAVE_S
    while time.monotonic() < end and yard.under_way:
        yard.go_on()
        told = _tell_new(yard, told)
        try:
            line = lines.get(timeout=LOOK_S)
        except queue.Empty:
            continue
        if line is None:
            lines = queue.Queue()  # Nobody types any more.
        else:
            _reply(yard, words, line)
    return told
