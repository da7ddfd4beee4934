"""`yardwire conform`: runs the conformance cases against one node or supervisor."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.conform import report as conform_report
from conformance.commands.conform import walking
from conformance.commands.conform import yard as conform_yard
from conformance.commands.conform.motion import allow_motion
from conformance.commands.conform.run_progress import RunProgress
from conformance.commands.conform.settings import Settings
from conformance.commands.options import completing, consent
from conformance.commands.options.json_output import json_file_option
from conformance.commands.options.output_file import OutputFile
from conformance.commands.options.site import site_option
from conformance.commands.tap.held import held_when_stopped
from conformance.commands.tap.options import OpenTap, site_naming, tap_options
from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import quiet_option
from conformance.commands.terminal.width import width
from conformance.files.whole_file import require_folder
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.bench.tap.tap import Tap
    from conformance.suite.fixture import Fixture
    from conformance.tester.questions import Answered
    from conformance.tester.resume import Resumed
    from conformance.tester.runner import Run
    from protocol.site import Site


COULD_NOT_RUN = 2


@dataclass(frozen=True, slots=True)
class EarlierReports:
    """Reports of earlier runs, where the user named them."""

    since: dict[str, Any] | None
    resumed: Resumed | None


@click.command(name="conform")
@click.argument("node", required=False, shell_complete=completing.nodes)
@site_option
@tap_options
@click.option(
    "--spawn", is_flag=True, help="Try it out: start the reference node, on the bench, or supervisor as NODE."
)
@click.option(
    "--only",
    multiple=True,
    metavar="ID",
    shell_complete=completing.cases,
    help="Run this case and what it rests on; repeatable.",
)
@click.option("--list", "listing", is_flag=True, help="List the cases and end.")
@click.option(
    "--explain", metavar="ID", shell_complete=completing.cases, help="Print the page of one case and end."
)
@click.option("--no-motion", is_flag=True, help="Run only what moves nothing.")
@walking.walk_option
@consent.yes_option
@click.option(
    "--reset-command", metavar="CMD",
    help="Power-cycles the board, and returns while the board runs on: a relay, a programmer that pulls reset, or a "
    "script that kills a program and starts it in the background. Without it a person is asked to do that.",
)  # fmt: skip
@click.option(
    "--program", metavar="CMD",
    help="Starts the supervisor under test, for each case again; {broker} and {brief} in it are filled in.",
)  # fmt: skip
@click.option("--ask-person", is_flag=True, help="Ask at the end what only a person can see or vouch for.")
@click.option(
    "--slow",
    type=click.FloatRange(1.0, 20.0),
    default=1.0,
    help="Stretch every limit in time by this factor, for a slow board. The report says so.",
)
@click.option(
    "--since",
    type=click.Path(path_type=Path),
    metavar="EARLIER.json",
    help="Show what broke and what was fixed since an earlier JSON report.",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path),
    metavar="PARTIAL.json",
    help="Go on with a run that was stopped, whose board hung, or that is inconclusive, by its JSON report.",
)
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    help="Seed of what is tried; boots, tokens and claims are new in each run.",
)
@json_file_option
@quiet_option
@click.option("--html", "html_path", type=OutputFile(), help="Write the report as one HTML page.")
@click.option("--junit", "junit_path", type=OutputFile(), help="Write the report as JUnit XML.")
def conform(
    node: str | None,
    site_path: Path,
    bus: Address | None,
    tap_for: OpenTap,
    spawn: bool,
    only: tuple[str, ...],
    listing: bool,
    explain: str | None,
    no_motion: bool,
    walk: int,
    yes: bool,
    reset_command: str | None,
    program: str | None,
    ask_person: bool,
    slow: float,
    since: Path | None,
    resume: Path | None,
    seed: int,
    json_path: Path | None,
    html_path: Path | None,
    junit_path: Path | None,
) -> int:
    """Show that NODE speaks the protocol, or what it does wrong.

    Opens a tap between NODE and a broker, says where NODE has to connect, and judges what passes there. The
    node may be on already. The kit waits 30 s for it; one that is switched on meanwhile is judged from its first
    message on.

    If NODE is a supervisor, the kit plays all other nodes of the site. Each case restarts the supervisor: with
    --program the kit does, else it asks you to, and says what the supervisor is to be told.

    Some cases move the machine. A message is never an emergency stop: keep the switch that removes motor
    power within reach, and hands out of the machine.

    Example: yardwire conform siding --site site.toml --no-motion
    """
    from conformance.commands.conform.case_pages import listed, page

    known = walking.known_cases()
    for id_ in (*only, *((explain,) if explain else ())):
        if id_ not in known:
            raise Trouble(f"there is no case {id_!r}", fix="'yardwire conform --list' names them all")
    if explain:
        click.echo(page(known[explain]))
        return 0
    if listing:
        click.echo(listed(known.values()))
        return 0
    if node is None:
        raise Trouble("NODE is needed", fix="For example: yardwire conform north --site site.toml")
    files = {"json": json_path, "html": html_path, "junit": junit_path}
    site = site_naming(node, site_path)
    settings = Settings(
        node, only, not no_motion, yes, spawn, slow, seed, files, walk, reset_command, ask_person, since, resume,
        _program(program, site_path, node, spawn=spawn and site.nodes[node].is_supervisor),
    )  # fmt: skip
    for path in files.values():
        require_folder(path)
    _check_terminal(settings)
    before = _earlier_reports(settings, site)
    if site.nodes[node].is_supervisor:
        conform_yard.check_settings(settings.program, reset_command, yes=yes)
        conform_yard.allow_playing(site, bus, yes=yes)
    elif program is not None:
        raise Trouble("--program starts a supervisor", fix="For a node there are --reset-command and --spawn")
    else:
        allow_motion(settings, site, bus, before.resumed)

    with (
        tap_for(site, node) as (tap, address),
        _stand(settings, site, site_path, tap, address) as fixture,
    ):
        return _judge(settings, site, tap, fixture, before)


def _program(line: str | None, site_path: Path, node: str, *, spawn: bool) -> tuple[str, ...] | None:
    from conformance.bench.processes.program import words_of

    if spawn:
        from conformance.tester.supervisor_bench import reference_program

        return reference_program(site_path, node)
    return None if line is None else words_of(line)


@contextmanager
def _stand(settings: Settings, site: Site, site_path: Path, tap: Tap, address: Address) -> Iterator[Fixture]:
    """The fixture that NODE is judged on."""
    from random import Random

    from conformance.bench.processes.spawned_node import spawned_node
    from conformance.bench.wire_bench import WireBench
    from conformance.suite.fixture import Fixture

    if site.nodes[settings.node].is_supervisor:
        from conformance.tester.supervisor_bench import supervisor_fixture

        with supervisor_fixture(
            tap, address, site, settings.node,
            program=settings.program, tell=_tell, seed=settings.seed, slow=settings.slow,
        ) as fixture:  # fmt: skip
            yield fixture
        return
    spawned = spawned_node(tap, site_path, settings.node, address) if settings.spawn else nullcontext(None)
    with (
        spawned as program,
        WireBench(
            tap,
            address,
            program or _reset(settings, tap),
            ended=program.failure if program is not None else str,
        ) as bench,
    ):
        yield Fixture(bench, site, settings.node, Random(settings.seed), settings.slow)


def _judge(settings: Settings, site: Site, tap: Tap, fixture: Fixture, before: EarlierReports) -> int:
    """Run the cases and write the reports, also of a run that Ctrl-C has ended."""
    from conformance.commands.tap.waiting import wait_for_node
    from conformance.suite.verdict import Verdict
    from conformance.tester.identity import require_asked_for
    from conformance.tester.runner import Run, Selection
    from conformance.tester.walk.walk_case import ID as WALK

    conform_report.load(settings.files)
    shown = RunProgress(fixture.name)
    run = Run(fixture, Selection(settings.only or None, settings.motion), shown.at)
    people = _asked(settings, site)
    if before.resumed is not None:
        run.earlier, people = before.resumed, before.resumed.answers(people)
    stopped, code = "", COULD_NOT_RUN
    walk = walking.WalkOfRun(settings.walk, settings.motion, shown.failed)
    cases = walk.cases(site.nodes[settings.node])
    run.plan(cases)
    moves = settings.motion and not site.nodes[settings.node].is_supervisor
    try:
        if not site.nodes[settings.node].is_supervisor:
            wait_for_node(tap, settings.node, slow=settings.slow, failure=fixture.bench.ended)
            require_asked_for(fixture)
            shown.is_here(fixture)
        ahead = run.ahead(cases)
        walk_s = walk.seconds(site, settings.node) if any(case.id == WALK for case in ahead) else None
        shown.foresee(ahead, fixture.node.roles, walk_s, before.resumed)
        with held_when_stopped(fixture, moves=moves):
            run.perform(cases)
        progress.clear()
        people = _answers(settings, people)
        code = int(run.verdict is not Verdict.PASS or any(one.breaks for one in people))
    except BaseException as ending:
        stopped, code = conform_report.why(ending), getattr(ending, "exit_code", COULD_NOT_RUN)
        if isinstance(ending, Trouble) and before.resumed is not None:
            # It says nothing of the node, and must not take the place of the report that is resumed.
            run.results.clear()
        raise
    finally:
        progress.clear()
        if run.results or before.resumed is None:
            report = _report(settings, run, before, people, stopped, [*tap.others(), *walk.notes()])
            report["walk"] = walk.document() or (before.resumed and before.resumed.report.get("walk"))
            conform_report.write(
                report, settings.files, COULD_NOT_RUN if run.verdict is Verdict.ERROR else code
            )
    return _exit_code(run) or code


def _report(
    settings: Settings,
    run: Run,
    before: EarlierReports,
    people: tuple[Answered, ...],
    stopped: str,
    notes: list[str],
) -> dict[str, Any]:
    """The report of a run that has ended, or of one that was `stopped`."""
    from conformance.reports import compare
    from conformance.reports.document import document

    if before.resumed is not None:
        run.results |= before.resumed.unreached(run.results)
        run.planned |= before.resumed.open
    report = document(
        run, seed=settings.seed, complete=not stopped, stopped=stopped, people=people, notes=notes
    )
    if before.since is not None:
        report["since"] = compare.since(before.since, report)
    return report


def _earlier_reports(settings: Settings, site: Site) -> EarlierReports:
    """What --since and --resume name, read before anything starts. Raises Trouble."""
    from conformance.reports.document import FORMAT, versions
    from conformance.reports.earlier import read_report, require_same
    from conformance.tester.resume import Resumed

    since, resumed = None, None
    if settings.since is not None:
        since = read_report(settings.since, format_=FORMAT)
        require_same(since, settings.since, site=site.name, node=settings.node)
    if settings.resume is not None:
        report = read_report(settings.resume, format_=FORMAT)
        digest = site.nodes[settings.node].digest
        same = {
            "site": site.name,
            "node": settings.node,
            "digest": digest,
            "slow": settings.slow,
            **versions(),
        }
        require_same(report, settings.resume, **same)
        resumed = Resumed(report, settings.resume)
    return EarlierReports(since, resumed)


def _reset(settings: Settings, tap: Tap) -> Callable[[], None] | None:
    """How the board's power is taken away: by the user's command, or by a person who is there to be asked."""
    from conformance.tester.reset import AGAIN, PERSON_SECONDS, Reset, command, request

    if settings.reset_command is not None:
        return Reset(tap, command(settings.reset_command))
    if settings.yes or not sys.stdin.isatty():
        return None
    return Reset(tap, request(_tell, settings.node), PERSON_SECONDS, AGAIN)


def _asked(settings: Settings, site: Site) -> tuple[Answered, ...]:
    """The questions about this node, none of them answered."""
    from conformance.tester.questions import Answered, questions_for

    return tuple(Answered(one) for one in questions_for(site.nodes[settings.node]))


def _answers(settings: Settings, asked: tuple[Answered, ...]) -> tuple[Answered, ...]:
    """What the person at the terminal says, where somebody is to be asked."""
    from conformance.tester.questions import Person, ask_all

    return ask_all(Person(sys.stdin, _tell), asked) if settings.ask_person else asked


def _tell(text: str) -> None:
    """Say something to the person at the terminal, below the line of progress."""
    import textwrap

    progress.clear()
    click.echo("\n".join(textwrap.fill(line, width()) for line in text.split("\n")), err=True)


def _exit_code(run: Run) -> int:
    from conformance.suite.verdict import Verdict

    if run.verdict is Verdict.ERROR:
        raise Trouble(
            "a case ended with an internal error",
            fix="Run it again with the same --seed and report what it prints",
        )
    return 0 if run.verdict is Verdict.PASS else 1


def _check_terminal(settings: Settings) -> None:
    """Raise Trouble before anything starts where the user's wishes cannot be met."""
    from conformance.tester.reset import command

    if settings.reset_command is not None:
        command(settings.reset_command)
    if settings.ask_person and not sys.stdin.isatty():
        raise Trouble("there is no terminal to ask on", fix="Use --ask-person on a terminal")
