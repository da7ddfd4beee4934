"""`yardwire fuzz`: looks for what breaks one node, and keeps the shortest recording that breaks it again."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options import completing, consent, json_output
from conformance.commands.options.json_output import json_file_option
from conformance.commands.options.site import site_option
from conformance.commands.tap.held import held_when_stopped
from conformance.commands.tap.options import OpenTap, site_naming, tap_options
from conformance.commands.terminal import progress, stopping
from conformance.commands.terminal.quiet import chat, quiet_option
from conformance.commands.terminal.style import styled
from conformance.files.json_file import as_json
from conformance.files.whole_file import require_folder, write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.bench.tap.tap import Tap
    from conformance.fuzz.run.campaign import Campaign, FindingGroup, Options
    from conformance.fuzz.run.corpus import Corpus, CorpusCase
    from protocol.site import Site

MINUTES = 10.0
STANDARD_OUTPUT = Path("-")
SHOWN_EVERY_S = 0.5
ROLES = frozenset(("crane", "berth", "shuttle"))


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user asked for."""

    node: str
    options: Options
    minutes: float | None
    cases: int | None
    yes: bool
    spawn: bool
    reset_command: str | None
    json_path: Path | None


@click.command()
@click.argument("node", shell_complete=completing.nodes)
@site_option
@tap_options
@click.option("--spawn", is_flag=True, help="Try it out: start the reference node, on the bench, as NODE.")
@click.option(
    "--minutes",
    type=click.FloatRange(min=0, min_open=True),
    help=f"End after so long.  [default: {MINUTES:g}]",
)
@click.option("--cases", type=click.IntRange(1), help="End after so many cases.")
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    help="The same seed deals the same cases; the kit's own asks are new.",
)
@click.option("--no-motion", is_flag=True, help="Send nothing that may move a machine.")
@consent.yes_option
@click.option(
    "--rate",
    type=click.FloatRange(0),
    default=20.0,
    show_default=True,
    help="Orders a second at the most; 0: as fast as the node answers.",
)
@click.option(
    "--corpus",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("fuzz-corpus"),
    show_default=True,
    help="Folder for recordings of what was found; they are played first the next time.",
)
@click.option("--resume", is_flag=True, help="Go on where the last run over NODE stopped.")
@click.option(
    "--reset-command",
    metavar="CMD",
    help="Power-cycles the board, and returns while the board runs on: needed to make cases short.",
)
@click.option(
    "--only",
    type=click.Choice(["payloads", "sequences", "link"]),
    multiple=True,
    help="This kind; repeatable.",
)
@json_file_option
@quiet_option
def fuzz(
    node: str,
    site_path: Path,
    bus: Address | None,
    tap_for: OpenTap,
    spawn: bool,
    minutes: float | None,
    cases: int | None,
    seed: int,
    no_motion: bool,
    yes: bool,
    rate: float,
    corpus: Path,
    resume: bool,
    reset_command: str | None,
    only: tuple[str, ...],
    json_path: Path | None,
) -> int:
    """Look for what breaks NODE: hostile payloads, hostile sequences of orders, a hostile link.

    Opens a tap between NODE and a broker and says where NODE has to connect. What breaks it is made short and
    kept as a recording. Exit code 0: nothing found; 1: something found, or it ended before anything could be.

    CAUTION: this moves the machine in ways that no supervisor would. Take the motor power off, or use
    --no-motion. A message is never an emergency stop: keep the switch that removes motor power within reach,
    and hands out of the machine.

    Example: yardwire fuzz siding --site site.toml --no-motion --minutes 5
    """
    from hypothesis.configuration import set_hypothesis_home_dir

    from conformance.bench.processes.spawned_node import spawned_node
    from conformance.fuzz.generate.case_order import KINDS
    from conformance.fuzz.run.campaign import Options
    from conformance.fuzz.run.corpus import Corpus

    site = _site_with(site_path, node)
    kinds = tuple(kind for kind in KINDS if kind in only) if only else KINDS
    options = Options(seed=seed, motion=not no_motion, rate=rate, kinds=kinds)
    from importlib.metadata import version

    kept_in = Corpus(corpus, site.name, node, version("yardwire"))
    if resume:
        seed, first = kept_in.mark()
        options = replace(options, seed=seed, first_round=first)
    settings = Settings(node, options, minutes, cases, yes, spawn, reset_command, json_path)
    _check(settings)
    earlier = list(kept_in.cases())
    _allow_motion(settings, site, bus)
    with (
        TemporaryDirectory() as scratch,
        tap_for(site, node) as (tap, address),
    ):
        # Else it leaves a folder of its own wherever the command is run.
        set_hypothesis_home_dir(scratch)
        spawned = spawned_node(tap, site_path, node, address) if spawn else nullcontext(None)
        return _run(settings, site, tap, address, spawned, kept_in, earlier)


def _run(
    settings: Settings,
    site: Site,
    tap: Tap,
    address: Address,
    spawned: AbstractContextManager[Callable[[], None] | None],
    corpus: Corpus,
    earlier: list[CorpusCase],
) -> int:
    """Fuzz, and report also of a run that Ctrl-C has ended."""
    from random import Random

    from conformance.bench.wire_bench import WireBench
    from conformance.commands.tap.waiting import wait_for_node
    from conformance.fuzz.link import link_of
    from conformance.fuzz.run.campaign import Campaign
    from conformance.suite.fixture import Fixture
    from conformance.tester.identity import require_asked_for

    writer = CorpusWriter(corpus, settings.options.seed)
    with spawned as restart, WireBench(tap, address, restart or _reset(settings, tap)) as bench:
        fixture = Fixture(bench, site, settings.node, Random(settings.options.seed))
        campaign = Campaign(fixture, link_of(bench, settings.node), settings.options, writer.keep)
        complete = False
        try:
            wait_for_node(tap, settings.node)
            require_asked_for(fixture, moves=settings.options.motion)
            with held_when_stopped(fixture, moves=settings.options.motion), _interruptions():
                campaign.run(_more(campaign, settings), [kept.steps for kept in earlier])
            complete = True
        finally:
            progress.clear()
            if campaign.trial.pace.case_ms:
                corpus.leave_mark(settings.options.seed, campaign.case_order.round + complete)
                fixed = [
                    kept.path for kept, showed in zip(earlier, campaign.showed, strict=False) if not showed
                ]
                _write(
                    campaign, writer, fixed, complete=complete, path=settings.json_path, notes=tap.others()
                )
    # What ended early, or tried nothing, has not shown that there is nothing to find.
    return int(bool(campaign.found) or bool(campaign.ended) or not campaign.cases)


class CorpusWriter:
    """Writes every group into the corpus as soon as it is found, and again when its case has become shorter."""

    def __init__(self, corpus: Corpus, seed: int) -> None:
        self._corpus, self._seed = corpus, seed
        self.files: dict[str, Path] = {}

    def keep(self, found: FindingGroup) -> None:
        """Write it, and say so at the first time."""
        started = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        new = found.finding.key not in self.files
        self.files[found.finding.key] = self._corpus.keep(found, started=started, seed=self._seed)
        if new:
            progress.clear()
            click.echo(f"found: {found.finding}; making its case short ..."[:80], err=True)


@contextmanager
def _interruptions() -> Iterator[None]:
    """Let a signal end the run also where its exception was lost, or a library has made another one of it."""
    try:
        yield
    except Exception as error:
        # A library that was interrupted in the middle may stumble over that before it passes it on.
        if number := stopping.asked():
            raise stopping.Stopped(number) from error
        raise


def _more(campaign: Campaign, settings: Settings) -> Callable[[], bool]:
    """Whether the budget allows another batch; shows on a terminal how far it is."""
    minutes = MINUTES if settings.minutes is None and settings.cases is None else settings.minutes
    began = shown = 0.0
    far = progress.Progress("cases", settings.cases)

    def more() -> bool:
        nonlocal began, shown
        if number := stopping.asked():
            raise stopping.Stopped(number)
        now = time.monotonic()
        if not began:
            began = now
            answers = f"{settings.node} answers in about {campaign.trial.pace.case_ms:.0f} ms"
            chat(f"{answers}; the first batch goes out")
        if now - shown > SHOWN_EVERY_S:
            shown = now
            left = None if minutes is None else max(0.0, 60 * minutes - (now - began))
            far.at(campaign.cases, f"{len(campaign.found)} findings", left)
        in_time = minutes is None or now - began < 60 * minutes
        return in_time and (settings.cases is None or campaign.cases < settings.cases)

    return more


def _reset(settings: Settings, tap: Tap) -> Callable[[], None] | None:
    from conformance.tester.reset import Reset, command

    return None if settings.reset_command is None else Reset(tap, command(settings.reset_command))


def _site_with(path: Path, node: str) -> Site:
    """The site, in which NODE is a node that takes orders. Raises Trouble."""
    site = site_naming(node, path)
    if not ROLES & set(site.nodes[node].roles):
        raise Trouble(f"{node!r} takes no orders", where=str(path), fix="Name a crane, a berth or a shuttle")
    return site


def _check(settings: Settings) -> None:
    """Raise Trouble before anything starts where the user's wishes cannot be met."""
    from conformance.tester.reset import command

    if settings.reset_command is not None:
        command(settings.reset_command)
    require_folder(settings.json_path)


def _allow_motion(settings: Settings, site: Site, bus: Address | None) -> None:
    """Say what will move and wait for a yes. Raises Trouble without one."""
    roles = " and ".join(sorted(ROLES & set(site.nodes[settings.node].roles)))
    consent.require_for_a_node(
        settings.node,
        f"This moves the {roles} {settings.node!r} as no supervisor would. Better: motor power off.",
        bus,
        spawned=settings.spawn,
        moves=settings.options.motion,
        yes=settings.yes,
        instead="run it with --no-motion",
    )


def _write(
    campaign: Campaign,
    writer: CorpusWriter,
    fixed: list[Path],
    *,
    complete: bool,
    path: Path | None,
    notes: list[str],
) -> None:
    from conformance.fuzz.run.report import document, render

    report: dict[str, Any] = document(campaign, writer.files, complete=complete, fixed=fixed, notes=notes)
    lines = render(report)
    if path is not None:
        # The code that follows from the report; a run that is broken off ends by its signal.
        code = int(not complete or bool(report["findings"] or report["ended"]) or not report["cases"])
        made = _document(report, stopping.asked(), code)
        if path == STANDARD_OUTPUT:
            json_output.print_document(made)
        else:
            write(path, as_json(made))
    click.echo(styled(lines), err=path == STANDARD_OUTPUT)


def _document(report: dict[str, Any], stopped: int | None, code: int) -> dict[str, Any]:
    """The report with the head that all documents have."""
    rows = [
        row
        | json_output.finding(
            row["seen"], requirement=row["requirement"], where=row["file"] or report["node"]
        )
        for row in report["findings"]
    ]
    verdict = json_output.FAIL if rows else "inconclusive" if code else json_output.PASS
    exit_code = code if stopped is None else stopping.SIGNAL_BASE + stopped
    made = json_output.head("fuzz", exit_code, verdict, rows, report["notes"])
    return made | {key: value for key, value in report.items() if key not in made}
