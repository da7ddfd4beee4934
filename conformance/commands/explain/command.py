"""`yardwire explain`: what an id, a case or a word of the protocol means."""

from __future__ import annotations

import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from conformance.commands.options import completing, json_output
from conformance.commands.terminal.quiet import quiet_option
from conformance.commands.terminal.style import linked_ids
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.commands.explain.entries import Entry
    from protocol.specification import Requirement

SUGGESTED = 4
"""How many names that look alike are suggested at the most."""


@click.command()
@click.argument("names", nargs=-1, required=True, metavar="NAME...", shell_complete=completing.words)
@quiet_option
@json_output.json_option("Print what is known as one JSON document.")
def explain(names: tuple[str, ...], as_json: bool) -> None:
    r"""Explain NAME: an id, a case, a message, a field, a state, an event, a fault, a reason, a guard, a time, a size.

    Any id or word that a report, a finding or a page shows can be given. Three letters list a chapter.

    \b
    Examples:
      yardwire explain ORD-06
      yardwire explain orders-repeat stale
      yardwire explain HLD
    """
    from conformance.commands.explain.entries import chapter, entries

    found: list[Entry] = []
    chapters: dict[str, tuple[Requirement, ...]] = {}
    for name in names:
        of_this, rules = entries(name), chapter(name)
        if rules:
            chapters[name.strip().upper()] = rules
        elif not of_this:
            raise _unknown(name)
        found += of_this
    if as_json:
        listed = {letters: [rule.id for rule in rules] for letters, rules in chapters.items()}
        json_output.tell({"entries": [asdict(one) for one in found], "chapters": listed})
        return
    pages = [_chapter_page(letters, rules) for letters, rules in chapters.items()]
    click.echo(linked_ids("\n\n".join([*pages, *(entry_page(one, _width()) for one in found)])))


def entry_page(entry: Entry, width: int) -> str:
    """The page of one entry, wrapped at `width` columns."""
    lines = [f"{entry.name}: {entry.kind}", ""]
    for paragraph in entry.says.split("\n\n"):
        lines += textwrap.wrap(paragraph, width, initial_indent="  ", subsequent_indent="  ")
        lines.append("")
    for label, text in entry.more:
        start = f"  {label}: "
        lines += textwrap.wrap(
            start + text, width, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False
        )
    told = dict(entry.more)
    further = [name for name in entry.see if name not in told and name not in told.get("checked by", "")]
    if further:
        lines += textwrap.wrap(
            f"  see: {', '.join(further)}", width, subsequent_indent=" " * 6, break_on_hyphens=False
        )
    return "\n".join(lines).rstrip()


def _chapter_page(letters: str, rules: tuple[Requirement, ...]) -> str:
    from conformance.publish.site.views import CHAPTERS

    lines = [CHAPTERS.get(letters, letters), ""]
    for rule in rules:
        lines += textwrap.wrap(f"{rule.id}  {rule.says}", _width(), subsequent_indent=" " * 8)
    return "\n".join(lines)


def _width() -> int:
    import sys

    from conformance.commands.terminal.width import width

    return width(sys.stdout) - 1


def _unknown(name: str) -> Trouble:
    from difflib import get_close_matches

    from conformance.commands.explain.entries import every_entry

    shown = {entry.name.lower(): entry.name for entry in every_entry()}
    wanted = name.strip().lower()
    near = get_close_matches(wanted, shown, SUGGESTED, 0.6)
    near += [one for one in shown if wanted and wanted in one and one not in near][: SUGGESTED - len(near)]
    advice = f"Did you mean {' or '.join(shown[one] for one in near)}?" if near else ""
    return Trouble(
        f'nothing of the protocol is called "{name}"',
        fix=advice
        or "Give an id such as ORD-06, a case of 'yardwire conform --list', or a word of a message",
    )
