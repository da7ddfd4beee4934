"""What `--json` prints: one document with the same head for every command that reports, and its own fields behind it.

`report.schema.json` beside this file is its schema.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from protocol.trouble import Trouble

SHAPE = 1
"""Of the head. Fields are added to it without a new number, and none is taken away."""
HEAD = ("shape", "command", "exit", "verdict", "findings", "notes")
AT_A_TIME = 200
"""Rows that are printed at once: each time costs as much as a row does."""
PASS, FAIL, ERROR = "pass", "fail", "error"


@dataclass(slots=True)
class _Asked:
    """Whether the command line of now asks for JSON, and whether it has been printed."""

    command: str = ""
    told: bool = False


_asked = _Asked()


def begin() -> None:
    """A new command line: nothing has been asked for yet."""
    _asked.command, _asked.told = "", False


def _note(ctx: click.Context, _parameter: click.Parameter, wanted: bool) -> bool:
    if wanted:
        _asked.command = command_of(ctx)
    return wanted


def command_of(ctx: click.Context) -> str:
    """'runs list' for `yardwire runs list`."""
    words = ctx.command_path.split()
    return " ".join(words[1:] or words)


def json_option(told: str = "Print the result as one JSON document.") -> Callable[[Any], Any]:
    """`--json`; the command gets `as_json`."""
    return click.option("--json", "as_json", is_flag=True, is_eager=True, callback=_note, help=told)


json_file_option: Callable[[Any], Any] = click.option(
    "--json", "json_path", type=click.Path(path_type=Path, allow_dash=True), metavar="FILE",
    help="Write the report as one JSON document; - is standard output.",
)  # fmt: skip
"""For a run whose report is kept: another one goes on from it."""


def finding(
    what: str, *, requirement: str | None = None, where: str = "", fix: str | None = None, **more: Any
) -> dict[str, Any]:
    """One thing that is wrong, different or out of its limits."""
    return {"requirement": requirement, "where": where, "what": what, "fix": fix or None, **more}


def judged(wrong: object) -> str:
    """The verdict of a command that fails where anything is `wrong`."""
    return FAIL if wrong else PASS


def head(
    command: str,
    exit_code: int | None,
    verdict: str | None,
    findings: Iterable[Mapping[str, Any]],
    notes: Iterable[str],
) -> dict[str, Any]:
    """The fields that every document has."""
    return {
        "shape": SHAPE, "command": command, "exit": exit_code, "verdict": verdict,
        "findings": [dict(one) for one in findings], "notes": list(notes),
    }  # fmt: skip


def document(
    fields: Mapping[str, Any], *, exit_code: int | None, verdict: str | None = None,
    findings: Iterable[Mapping[str, Any]] = (), notes: Iterable[str] = (), command: str | None = None,
) -> dict[str, Any]:  # fmt: skip
    """A whole document: the head, then the fields of the command. Raises ValueError where they take its place."""
    made = head(command or command_of(click.get_current_context()), exit_code, verdict, findings, notes)
    if taken := set(fields) & set(HEAD):
        raise ValueError(f"fields of the head: {', '.join(sorted(taken))}")
    return made | dict(fields)


def tell(
    fields: Mapping[str, Any], *, exit_code: int | None = 0, verdict: str | None = None,
    findings: Iterable[Mapping[str, Any]] = (), notes: Iterable[str] = (), on_one_line: bool = False,
) -> None:  # fmt: skip
    """Print the document of a command that has come to its end, or one of a change while it runs."""
    made = document(fields, exit_code=exit_code, verdict=verdict, findings=findings, notes=notes)
    print_document(made, on_one_line=on_one_line)


def print_document(made: Mapping[str, Any], *, on_one_line: bool = False) -> None:
    """Print a document that is made already."""
    _asked.told = True
    click.echo(json.dumps(made, indent=None if on_one_line else 2, ensure_ascii=False, default=str))


def tell_rows(field: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """The same with many rows, each on a line of its own and printed as it comes."""
    tell_lines(
        field, (json.dumps(row, separators=(",", ":"), ensure_ascii=False, default=str) for row in rows)
    )


def tell_lines(field: str, rows: Iterable[str], notes: Callable[[], Sequence[str]] = tuple) -> None:
    """The same with rows that are JSON already; `notes` are known behind them."""
    _asked.told = True
    head_of = json.dumps(head(command_of(click.get_current_context()), 0, None, (), ()))
    start = head_of.partition(', "notes"')[0]
    click.echo(f'{start}, "{field}": [', nl=False)
    waiting: list[str] = []
    between = "\n"
    for row in rows:
        waiting.append(between + row)
        between = ",\n"
        if len(waiting) == AT_A_TIME:
            click.echo("".join(waiting), nl=False)
            waiting.clear()
    click.echo("".join(waiting) + f'\n], "notes": {json.dumps(list(notes()))}}}')


def tell_error(error: BaseException, exit_code: int) -> None:
    """The document of a command that could not run, where JSON was asked for and none was printed."""
    if not _asked.command or _asked.told:
        return
    if isinstance(error, Trouble):
        rows = [finding(error.what, where=error.where or "", fix=error.fix)]
    else:
        text = error.format_message() if isinstance(error, click.ClickException) else str(error)
        rows = [finding(text)]
    _asked.told = True
    click.echo(json.dumps(head(_asked.command, exit_code, ERROR, rows, ()), indent=2, ensure_ascii=False))
