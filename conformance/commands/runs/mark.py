"""`yardwire runs mark RUN`: what a person says of a run, kept beside the recordings."""

from __future__ import annotations

import re
from pathlib import Path

import click

from conformance.commands.options import json_output
from conformance.commands.terminal.quiet import quiet_option, say_result
from protocol.trouble import Trouble

MOST_TEXT = 500


@click.command()
@click.argument("names", nargs=-1, required=True, metavar="RUN...", type=click.Path(path_type=Path))
@click.option("--good", "word", flag_value="good", help="It went as it should.")
@click.option("--bad", "word", flag_value="bad", help="It did not.")
@click.option("--no-mark", "word", flag_value="", help="Neither: take the mark back.")
@click.option("--note", metavar="TEXT", help="What to remember of it; '' takes it back.")
@click.option("--bookmark", metavar="TEXT", help="A short name for it; '' takes it back.")
@click.option(
    "--set", "figures", multiple=True, metavar="NAME=VALUE", help="A figure, such as temperature=21.5."
)
@quiet_option
@json_output.json_option("Print what is said now of each run as one JSON document.")
def mark(
    names: tuple[Path, ...],
    word: str | None,
    note: str | None,
    bookmark: str | None,
    figures: tuple[str, ...],
    as_json: bool,
) -> int:
    """Say something of runs: good or bad, a note, a bookmark, figures such as the temperature.

    It is kept in runs.toml beside the recordings, which you may edit yourself: comments stay. A packed or thinned
    recording keeps its marks, for the names of runs last.

    \b
    Examples:
      yardwire runs mark recordings/monday.ywrec#7 --good
      yardwire runs mark recordings/monday.ywrec#9 --bad --note 'stood 2 cm short' --set temperature=24.5
    """  # noqa: D301 - click wants the character itself
    from conformance.recordings.runs.index import index_of
    from conformance.recordings.runs.marks import read_marks, write_mark
    from conformance.recordings.runs.name import run_named

    changes: dict[str, float | str] = dict(map(_figure, figures))
    for name, text in (("mark", word), ("note", note), ("bookmark", bookmark)):
        if text is not None:
            changes[name] = _short(text, name)
    if not changes:
        raise click.UsageError("say something: --good, --bad, --note, --bookmark or --set")
    rows = []
    for path in names:
        named = run_named(path)
        if named is None:
            raise Trouble("not a run", where=str(path), fix="Name it as the list does: monday.ywrec#7")
        folder, run = named
        index = index_of(folder)
        index.named(run)
        write_mark(folder, run, changes, index.rule)
        if as_json:
            rows.append({"run": str(path), "said": read_marks(folder).of(run).as_json()})
            continue
        said = (f"{name} {value}" if value != "" else f"no {name}" for name, value in changes.items())
        say_result(f"{path}: {', '.join(said)}")
    if as_json:
        json_output.tell({"runs": rows})
    return 0


def _short(text: str, name: str) -> str:
    if len(text) > MOST_TEXT or not text.isprintable():
        raise click.UsageError(f"--{name}: one line of {MOST_TEXT} characters at most")
    return text


def _figure(text: str) -> tuple[str, float | str]:
    found = re.fullmatch(r"([A-Za-z][A-Za-z0-9_-]{0,39})=(.*)", text)
    if found is None or found[1] in ("mark", "note", "bookmark"):
        raise click.UsageError(f"--set {text}: write it as temperature=21.5")
    try:
        number = float(found[2])
        return found[1], int(number) if number.is_integer() and abs(number) < 1e15 else number
    except ValueError:
        return found[1], _short(found[2], f"set {found[1]}")
