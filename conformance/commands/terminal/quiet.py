"""What is said beside the result: what goes on, and what may be done next. `--quiet` leaves it out.

Results, errors, cautions, questions and what a person has to do are never left out.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import click

from conformance.commands.terminal.width import width, wrapped

_quiet = False


def is_quiet() -> bool:
    """Whether only results, cautions, questions and errors are to be said."""
    return _quiet


def begin() -> None:
    """A new command line: nothing has been asked for yet."""
    global _quiet
    _quiet = False


def say_result(text: str) -> None:
    """Say a result in words: within the width of a line in a pipe and a file too."""
    click.echo(wrapped(text, width(sys.stdout)))


def chat(text: str, *, err: bool = True, whole: bool = False) -> None:
    """Say something that nobody needs who knows the command.

    On standard output it stands with the result, and is wrapped as that is. On standard error, and `whole`, it is one
    line where there is no terminal: a script waits for it, or a log is searched for it.
    """
    if _quiet:
        return
    stream = sys.stderr if err else sys.stdout
    as_it_is = (err or whole) and not stream.isatty()
    click.echo(text if as_it_is else wrapped(text, width(stream)), err=err)


def _set(_ctx: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    global _quiet
    _quiet = _quiet or wanted


quiet_option: Callable[[Any], Any] = click.option(
    "--quiet", "-q",
    is_flag=True, expose_value=False, is_eager=True, callback=_set,
    help="Leave out progress and hints; results, cautions, questions and errors stay.",
)  # fmt: skip
