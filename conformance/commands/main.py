"""The entry of `yardwire`: the table of commands, and what every ending of a command means to the shell.

Exit codes: 0 fine; 1 not conformant, not shown to be, not valid, or different; 2 could not run; 130 Ctrl-C.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import NoReturn

import click

from conformance.commands.lazy import LazyCommand, LazyGroup
from conformance.commands.options import json_output
from conformance.commands.terminal import quiet
from conformance.commands.terminal.stopping import (
    SIGNAL_BASE,
    STOPPED_BY_CTRL_C,
    Stopped,
    end_process,
    stoppable,
    unwrapped,
)
from conformance.commands.terminal.streams import discard, harmless_streams, reader_left
from conformance.commands.terminal.thread_failure import stopped_by_a_thread
from protocol.trouble import Trouble

COULD_NOT_RUN = 2
NOBODY_ANSWERED = Trouble(
    "standard input ended where a question needed an answer",
    fix="Run it in a terminal, or give the option that answers (see --help)",
)
ONLY_SHOWS = ("show",)
"""The command that judges nothing: whoever reads only the beginning of its output (`| head`) has what they want."""
OF_FILES = ("diff", "validate", "trend", "runs", "site", "explain", "publish", "measure")
"""Commands that judge or list what is in files: they go on to their verdict where nobody reads all that they print."""
AT_MACHINES = (("measure", "collect"),)
"""What stops there all the same, for it moves something."""
DISK_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}

COMMANDS = {
    "demo": LazyCommand(
        "conformance.commands.demo.command:demo",
        "Run one whole cycle with nothing installed, recorded and judged.",
    ),
    "validate": LazyCommand(
        "conformance.commands.validate:validate", "Check messages; say what is wrong and how to fix it."
    ),
    "conform": LazyCommand(
        "conformance.commands.conform.command:conform", "Run the conformance cases against one node."
    ),
    "node": LazyCommand("conformance.commands.node:node", "Run a reference node with a simulated mechanism."),
    "fuzz": LazyCommand("conformance.commands.fuzz:fuzz", "Look for what breaks one node."),
    "supervise": LazyCommand(
        "conformance.commands.supervise.command:supervise", "Run the mock supervisor: a scenario, or by hand."
    ),
    "record": LazyCommand(
        "conformance.commands.record:record", "Record everything said under a site's root."
    ),
    "runs": LazyCommand(
        "conformance.commands.runs.command:runs", "List the runs in recordings, mark them, thin them."
    ),
    "show": LazyCommand("conformance.commands.show:show", "Show, filter, count and export a recording."),
    "watch": LazyCommand("conformance.commands.watch:watch", "Show a bus live in the browser."),
    "diff": LazyCommand("conformance.commands.diff:diff", "Say what is different between two recordings."),
    "trend": LazyCommand(
        "conformance.commands.trend:trend", "Say what drifts over many runs, with control charts."
    ),
    "replay": LazyCommand("conformance.commands.replay:replay", "Publish a recording again."),
    "measure": LazyCommand(
        "conformance.commands.measure.command:measure", "Measure a crane over a track: table, budget, sensor."
    ),
    "link": LazyCommand("conformance.commands.link:link", "Join boards on serial lines to a bus."),
    "broker": LazyCommand("conformance.commands.broker:broker", "Run an MQTT broker for the bench."),
    "publish": LazyCommand(
        "conformance.commands.publish:publish", "Write the documents and artefacts of the protocol."
    ),
    "site": LazyCommand("conformance.commands.site:site", "Write a starter site file, or check one."),
    "explain": LazyCommand(
        "conformance.commands.explain.command:explain", "Say what an id, a case or a word means."
    ),
}

EXIT_CODES = """\b
Exit codes:
  0    fine
  1    not conformant, not shown to be, not valid, or different
  2    could not run
  130  stopped by Ctrl-C (by another signal: 128 + its number)"""


def _print_version(ctx: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        click.echo(f"yardwire {version('yardwire')}, protocol version 1")
        ctx.exit()


@click.command(
    cls=LazyGroup,
    table=COMMANDS,
    epilog=EXIT_CODES,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Show the version and exit.",
)
def cli() -> None:
    """Build, run and prove the controllers of a miniature container terminal.

    Try 'yardwire demo' first. 'yardwire COMMAND --help' explains one command.
    """


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run `yardwire` with these arguments (default: the program's own) and exit with its code.

    A command ends by returning None (0) or its exit code, or by raising `Trouble`.
    """
    with stoppable():
        code = run(sys.argv[1:] if arguments is None else arguments)
        end_process(code)
        sys.exit(code)


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code, with whatever went wrong told on standard error."""
    if "_YARDWIRE_COMPLETE" in os.environ:
        cli.main(list(arguments), prog_name="yardwire")  # Shell completion: click answers and exits.
    json_output.begin()
    quiet.begin()
    of_files = (
        tuple(arguments[:1]) in {(name,) for name in OF_FILES} and tuple(arguments[:2]) not in AT_MACHINES
    )
    with harmless_streams(outlive_reader=of_files), stoppable() as stopping, stopped_by_a_thread() as program:
        try:
            code = _invoke(arguments)
            sys.stdout.flush()
            program.check()
        except BaseException as ending:  # noqa: BLE001 - Ctrl-C is one of the endings
            told = unwrapped(ending) if stopping.number is not None else program.failure or ending
            code = _judge(told, tuple(arguments[:1]))
            if stopping.terminal_is_gone and stopping.number is None:
                # The signal that says so is still on its way, or was for another process.
                return SIGNAL_BASE + signal.SIGHUP
        return code if stopping.number is None else SIGNAL_BASE + stopping.number


def _invoke(arguments: Sequence[str]) -> int:
    # Not cli.main(): it takes every EOFError for Ctrl-C and every broken connection for a closed pipe.
    colour = False if os.environ.get("NO_COLOR") else None
    try:
        with cli.make_context("yardwire", list(arguments), color=colour) as ctx:
            code = cli.invoke(ctx)
    except click.exceptions.Exit as ending:
        return ending.exit_code
    return code if isinstance(code, int) else 0


def _judge(ending: BaseException, command: tuple[str, ...] = ()) -> int:
    """Tell the user how the command ended and return the exit code for it."""
    if isinstance(ending, SystemExit):
        raise ending
    if isinstance(ending, click.ClickException):
        _tell_usage(ending)
        json_output.tell_error(ending, COULD_NOT_RUN)
        return COULD_NOT_RUN
    if isinstance(ending, click.Abort):
        # click raises it out of a question, for a signal and for the end of standard input alike.
        ending = ending.__context__ or KeyboardInterrupt()
        if isinstance(ending, EOFError):
            ending = NOBODY_ANSWERED
    if isinstance(ending, KeyboardInterrupt):
        return _tell_stopped(ending)
    if isinstance(ending, BrokenPipeError) and reader_left(sys.stdout.fileno()):
        discard(sys.stdout.fileno())
        return 0 if command == ONLY_SHOWS else COULD_NOT_RUN
    if isinstance(ending, Trouble):
        _tell_error(str(ending))
        with suppress(OSError):
            json_output.tell_error(ending, ending.exit_code)
    elif isinstance(ending, OSError) and ending.errno in DISK_FULL:
        discard(sys.stdout.fileno())
        _tell(f"Error: nothing more could be written: {ending.strerror}")
    else:
        _tell_own_fault(ending)
    _show_traceback_if_asked(ending)
    return ending.exit_code if isinstance(ending, Trouble) else COULD_NOT_RUN


def _tell_stopped(ending: KeyboardInterrupt) -> int:
    code = ending.exit_code if isinstance(ending, Stopped) else STOPPED_BY_CTRL_C
    if code == STOPPED_BY_CTRL_C:
        _tell("stopped by Ctrl-C")
    return code


def _tell_own_fault(ending: BaseException) -> None:
    import traceback

    last = traceback.extract_tb(ending.__traceback__)[-1:]
    where = f"\n  where: {last[0].filename}, line {last[0].lineno}" if last else ""
    _tell(
        f"Error: internal error in yardwire, not in what it was given: {type(ending).__name__}: {ending}{where}"
        "\n  fix: run it again with YARDWIRE_DEBUG=1 and report what it prints"
    )


def _tell_usage(ending: click.ClickException) -> None:
    """As click does, with the error itself within the terminal's width."""
    if isinstance(ending, click.exceptions.NoArgsIsHelpError):
        ending.show()  # Nothing was asked for: the help is the answer.
        return
    if isinstance(ending, click.UsageError) and ending.ctx is not None:
        _tell(ending.ctx.get_usage())
        _tell(f"Try '{ending.ctx.command_path} --help' for help.\n")
    _tell_error(ending.format_message())


def _tell_error(text: str) -> None:
    """An error within the terminal's width; on one line where it is written to anything else, to be searched."""
    from conformance.commands.terminal.streams import red
    from conformance.commands.terminal.style import linked_ids
    from conformance.commands.terminal.width import width, wrapped

    told = f"Error: {text}"
    if sys.stderr.isatty():
        head, _, rest = wrapped(told, width()).partition(":")
        told = f"{red(head + ':')}{_linked(linked_ids, rest)}"
    _tell(told)


def _linked(linked_ids: Callable[[str], str], text: str) -> str:
    try:
        return linked_ids(text)
    except Trouble:  # Of the configuration file, which may be the very error that is told.
        return text


def _show_traceback_if_asked(ending: BaseException) -> None:
    if os.environ.get("YARDWIRE_DEBUG") == "1":
        import traceback

        _tell("".join(traceback.format_exception(ending)).rstrip())


def _tell(text: str) -> None:
    with suppress(OSError):  # Nobody is left to be told.
        click.echo(text, err=True)


if __name__ == "__main__":
    main()
