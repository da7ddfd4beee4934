"""`yardwire validate`: is this a message of the protocol, and if not, what is wrong and how is it mended?"""

from __future__ import annotations

import json
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.validating.subject import Judgement, Subject

SHOWN = 50
"""Messages whose faults are shown at most, for people."""


@click.command()
@click.argument("paths", nargs=-1, metavar="[PATH]...")
@click.option(
    "--message", default="", help="Which message a payload is, where its file is not named after it."
)
@click.option("--hex", "digits", multiple=True, metavar="BYTES", help="A payload in hex; needs --message.")
@click.option("--broker", metavar="URL", help="Listen on a live bus, such as mqtt://localhost.")
@click.option("--site", default="+", metavar="NAME", help="The site to listen to (default: every one).")
@click.option(
    "--seconds", default=10.0, show_default=True, type=click.FloatRange(0.1), help="How long to listen."
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def validate(
    paths: tuple[str, ...],
    message: str,
    digits: tuple[str, ...],
    broker: str | None,
    site: str,
    seconds: float,
    as_json: bool,
) -> int:
    """Check messages; say what is wrong and how to mend it.

    A PATH is a payload file named after its message (job-order.json, crane-status-2.cbor), a .hex file with
    one payload a line, a .jsonl file whose lines have topic (or message) and hex or text, a file of vectors,
    a recording, a folder of all these, or '-' for standard input.

    Exit 1 if a message is not valid. A vector that says it is invalid is right when it is refused for the
    requirement that it names.

    Example: yardwire validate --message job-order --hex 'a2 02 00 10 01'
    """
    if not (paths or digits or broker):
        raise click.UsageError("name a file, a folder, '-', --hex or --broker")
    from conformance.validating.subject import judge

    report = _Report(as_json)
    try:
        for subject in _subjects(paths, message, digits):
            report.add(judge(subject))
        if broker is not None:
            for subject in _heard(broker, site, seconds):
                report.add(judge(subject))
    except Trouble:
        if report.total:
            report.close()
        raise
    if not report.total:
        raise Trouble("there was no message to check", mend="Name files with payloads, or listen longer")
    report.close()
    return 1 if report.wrong else 0


def _subjects(paths: Iterable[str], message: str, digits: Iterable[str]) -> Iterator[Subject]:
    from conformance.validating.sources import from_bytes, from_hex, from_path

    for number, text in enumerate(digits, 1):
        yield from_hex(text, message, f"--hex {number}")
    for path in paths:
        if path == "-":
            yield from from_bytes(sys.stdin.buffer.read(), "standard input", message)
        else:
            yield from from_path(Path(path), message)


def _heard(broker: str, site: str, seconds: float) -> Iterator[Subject]:
    from conformance.validating.live import from_bus

    _check_site(site)
    click.echo(f"Listening for {seconds:g} s ...", err=True)
    return from_bus(broker, site, seconds)


def _check_site(site: str) -> None:
    if site != "+" and re.fullmatch("[A-Za-z0-9-]{1,12}", site) is None:
        raise Trouble(f"{site!r} is no name of a site", mend="It has 1 to 12 characters A-Z a-z 0-9 and '-'")


class _Report:
    """What was judged, printed as it comes for people, or at the end as JSON."""

    def __init__(self, as_json: bool) -> None:
        self.total = 0
        self.wrong = 0
        self._as_json = as_json
        self._rows: list[dict[str, Any]] = []
        self._broken: dict[str, int] = {}
        self._width = min(shutil.get_terminal_size((80, 24)).columns, 100)

    def add(self, judgement: Judgement) -> None:
        """Count one message and show what is wrong with it."""
        self.total += 1
        if judgement.right:
            return
        self.wrong += 1
        for requirement in {finding.requirement for finding in judgement.findings}:
            self._broken[requirement] = self._broken.get(requirement, 0) + 1
        if self._as_json:
            self._rows.append(_row(judgement))
        elif self.wrong <= SHOWN:
            self._show(judgement)

    def _show(self, judgement: Judgement) -> None:
        click.echo(self._wrapped(_shown(judgement.subject.where), "", "    "))
        if judgement.surprise:
            click.echo(self._wrapped(judgement.surprise, "  ", "    "))
        for finding in judgement.findings:
            byte = "" if finding.byte is None else f"byte {finding.byte}"
            place = ", ".join(part for part in (finding.where, byte) if part)
            click.echo(self._wrapped(f"{finding.requirement}  {place}: {finding.what}", "  ", " " * 10))
            click.echo(self._wrapped(f"mend: {finding.mend}", " " * 10, " " * 16))
        click.echo()

    def _wrapped(self, text: str, first: str, rest: str) -> str:
        return textwrap.fill(text, self._width, initial_indent=first, subsequent_indent=rest)

    def close(self) -> None:
        """Print the sum of it."""
        if self._as_json:
            found = {"checked": self.total, "wrong": self.wrong, "messages": self._rows}
            click.echo(json.dumps(found | {"requirements": self._sentences()}, indent=2))
            return
        if self.wrong > SHOWN:
            click.echo(f"... and {self.wrong - SHOWN} more; --json shows all\n")
        for requirement, sentence in self._sentences().items():
            click.echo(self._wrapped(f"{requirement}  {sentence}", "", " " * 8))
        if self._broken:
            click.echo()
        messages = f"{self.total} message{'s' * (self.total != 1)} checked"
        click.echo(f"{messages}: " + (f"{self.wrong} not as it should be" if self.wrong else "all right"))

    def _sentences(self) -> dict[str, str]:
        from protocol.specification import specification

        return {id_: specification().requirements[id_].says for id_ in sorted(self._broken)}


def _row(judgement: Judgement) -> dict[str, Any]:
    subject = judgement.subject
    findings = [
        {
            "requirement": finding.requirement,
            "where": finding.where,
            "byte": finding.byte,
            "what": finding.what,
            "mend": finding.mend,
        }
        for finding in judgement.findings
    ]
    name = {"topic": subject.topic} if subject.topic else {"message": subject.message}
    payload = subject.payload[:1024].hex()
    surprise = {"surprise": judgement.surprise} if judgement.surprise else {}
    return {"where": _shown(subject.where)} | name | {"payload": payload, "findings": findings} | surprise


def _shown(text: str) -> str:
    """Text that somebody else chose, harmless to a terminal."""
    return "".join(part if part.isprintable() else ascii(part)[1:-1] for part in text)
