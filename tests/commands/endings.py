"""Commands that end in every way a command can end, for the tests of the entry."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from threading import Event

import click

from conformance.commands.terminal.streams import red
from protocol.trouble import Trouble


@click.command()
def fine() -> None:
    click.echo(red("as it should be"))


@click.command()
def different() -> int:
    return 1


@click.command()
@click.pass_context
def leaves_by_context(ctx: click.Context) -> None:
    ctx.exit(1)


@click.command()
def trouble() -> None:
    raise Trouble("no broker answers", where="mqtt://127.0.0.1:1", fix="Start one with 'yardwire broker'")


@click.command()
def interrupted() -> None:
    raise KeyboardInterrupt


@click.command()
def fault() -> None:
    raise ZeroDivisionError("a count of nothing")


@click.command()
def end_of_data() -> None:
    raise EOFError("a decoder ran out of bytes")


@click.command()
def lost_connection() -> None:
    raise BrokenPipeError(32, "Broken pipe")


@click.command()
def asks() -> None:
    click.confirm("Does the crane move?", abort=True)


@click.command()
def prints_much() -> None:
    for _ in range(100_000):
        print("a line of output", flush=True)  # noqa: T201 - as rich does, beside click


@click.command()
@click.argument("witness", type=click.Path(path_type=Path))
def waits(witness: Path) -> None:
    try:
        print("waiting", flush=True)  # noqa: T201
        Event().wait()
    finally:
        witness.write_text("unwound")


def run_in_own_process() -> None:
    """Run `yardwire ENDING ...` with the endings of this module as its commands."""
    from conformance.commands import main
    from conformance.commands.lazy import LazyCommand

    # A test run in the background of a shell has SIGINT ignored, and children inherit that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    ending = sys.argv[1]
    main.COMMANDS[ending] = LazyCommand(f"tests.commands.endings:{ending}", "")
    main.main()


if __name__ == "__main__":
    run_in_own_process()
