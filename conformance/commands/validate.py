"""`yardwire validate`: is this a message of the protocol, and if not, what is wrong and how is it fixed?"""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options import completing, json_output
from conformance.commands.options.bus import bus_options, never
from conformance.commands.options.site import EVERY, is_from_option, site_named, site_or_name_option
from conformance.commands.terminal.quiet import chat, quiet_option
from conformance.commands.terminal.streams import coloured
from conformance.commands.terminal.style import styled
from conformance.commands.terminal.width import width
from protocol.foreign_text import one_line
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.recordings.validate.subject import Judgement, Subject
    from protocol.rules import Breach
    from protocol.site import Site

SHOWN = 50
"""Messages whose faults are shown at most, for people."""


@click.command()
@click.argument("paths", nargs=-1, metavar="[PATH]...", shell_complete=completing.files)
@click.option(
    "--message", default="", help="Which message a payload is, where its file is not named after it."
)
@click.option("--hex", "digits", multiple=True, metavar="BYTES", help="A payload in hex; needs --message.")
@bus_options(joins=never, otherwise="listens there; default: not at all")
@site_or_name_option("The site to listen to, and to judge recordings by (default: every one)")
@click.option(
    "--seconds", default=10.0, show_default=True, type=click.FloatRange(0.1), help="How long to listen."
)
@click.option(
    "--site-file",
    type=click.Path(path_type=Path),
    help="Lets a recording be judged by what it says, node by node.",
)
@quiet_option
@json_output.json_option()
def validate(
    paths: tuple[str, ...],
    message: str,
    digits: tuple[str, ...],
    bus: Address | None,
    site: str | None,
    seconds: float,
    site_file: Path | None,
    as_json: bool,
) -> int:
    """Check messages; say what is wrong and how to fix it.

    A PATH is a payload file named after its message (job-order.json, crane-status-2.cbor), a .hex file with
    one payload a line, a .jsonl file whose lines have topic (or message) and hex or text, a file of vectors,
    a recording, a run (monday.ywrec#7), a folder of all these, or '-' for standard input. Of a recording or run that
    is named by itself the rules that need more than one message are checked too: transitions, deadlines, counts, boxes.

    Exit 1 if a message is not valid. A vector that says it is invalid is right when it is refused for the
    requirement that it names.

    Example: yardwire validate --message job-order --hex 'a2 02 00 10 01'
    """
    if not (paths or digits or bus):
        raise click.UsageError("name a file, a folder, '-', --hex or --broker")
    from conformance.recordings.message_summary import MOST_EXPLAINED
    from conformance.recordings.validate.subject import judge

    name, known = _site(site, site_file)
    asked = site_file is not None or is_from_option("site")
    report = _Report(as_json)
    recordings, others = _sorted_out(paths)
    try:
        for path in recordings:
            _check_recording(path, known, report, asked=asked)
        for subject in _subjects(others, message, digits):
            report.add(judge(subject, explain=report.wrong < MOST_EXPLAINED))
        if bus is not None:
            for subject in _heard(bus, name or EVERY, seconds):
                report.add(judge(subject, explain=report.wrong < MOST_EXPLAINED))
    except Trouble:
        if report.total:
            report.close()
        raise
    if not report.total:
        raise Trouble("there was no message to check", fix="Name files with payloads, or listen longer")
    if report.wrong > MOST_EXPLAINED:
        report.note(f"only the first {MOST_EXPLAINED:,} messages that are not valid are explained")
    report.close()
    return 1 if report.wrong or report.breaches else 0


def _site(said: str | None, file: Path | None) -> tuple[str | None, Site | None]:
    """The name to listen to, and the site to judge recordings by."""
    name, known = site_named(said)
    if file is None:
        return name, known
    from protocol.site_file import load_site

    return name, load_site(file)


def _require_some(found: bool, where: str) -> None:
    """Raise Trouble where a file that was named had no message: nothing can be said of it."""
    if not found:
        raise Trouble("there was no message to check", where=where, fix="Name files with payloads")


def _sorted_out(paths: Iterable[str]) -> tuple[list[Path], list[str]]:
    """Recordings that are named, and all other paths."""
    from conformance.recordings.files import is_recording
    from conformance.recordings.runs.name import run_named

    recordings = [
        Path(path) for path in paths if path != "-" and (is_recording(Path(path)) or run_named(Path(path)))
    ]
    return recordings, [path for path in paths if Path(path) not in recordings]


def _check_recording(path: Path, site: Site | None, report: _Report, *, asked: bool) -> None:
    """`asked`: an option names the site. One of the settings alone is let be where the recording is of another."""
    from conformance.recordings.runs.opening import opened
    from conformance.recordings.validate.recording import Check
    from protocol.rules import Breach
    from protocol.specification import specification

    recording = opened((path,))
    if site is not None and not asked and recording.header.site != site.name:
        site = None
    check = Check(str(path), site)
    for found in check.run(recording.items()):
        if isinstance(found, Breach):
            report.breach(str(path), found)
        else:
            report.total -= 1  # Counted with all the others below.
            report.add(found)
    report.total += check.messages
    for name, minor in check.newer.items():
        ours = specification().dotted()
        report.note(
            f"{name} says protocol {specification().dotted(minor)}, which this kit does not know: it is judged by "
            f"{ours}, and fields that {ours} does not have are let through"
        )
    _require_some(check.messages > 0, str(path))
    if recording.broken_at is not None:
        report.whole = False
        fix = "What stands before it was judged; record it again for the rest"
        raise Trouble(f"the recording breaks off at byte {recording.broken_at[1]}", where=str(path), fix=fix)
    for cut in recording.cuts:
        report.note(cut)
        report.whole = False


def _subjects(paths: Iterable[str], message: str, digits: Iterable[str]) -> Iterator[Subject]:
    """What is named. Raises Trouble also where one of the paths has no message: nothing can be said of it."""
    from conformance.recordings.validate.sources import from_hex

    for number, text in enumerate(digits, 1):
        yield from_hex(text, message, f"--hex {number}")
    for path in paths:
        found = False
        for subject in _in(path, message):
            found = True
            yield subject
        _require_some(found, path)


def _in(path: str, message: str) -> Iterator[Subject]:
    from conformance.recordings.validate.sources import from_path, from_stream

    if path == "-":
        return from_stream(sys.stdin.buffer, "standard input", message)
    return from_path(Path(path), message)


def _heard(bus: Address, site: str, seconds: float) -> Iterator[Subject]:
    from conformance.recordings.validate.live import from_bus

    chat(f"Listening for {seconds:g} s ...")
    return from_bus(bus, site, seconds)


class _Report:
    """What was judged, printed as it comes for people, or at the end as JSON."""

    def __init__(self, as_json: bool) -> None:
        self.total = 0
        self.wrong = 0
        self.breaches = 0
        """Rules over many messages that were broken."""
        self._breach_rows: list[dict[str, Any]] = []
        self._noted: dict[str, int] = {}
        self._notes: list[str] = []
        self.whole = True
        """Whether every recording goes on to the end mark of its recorder."""
        self._as_json = as_json
        self._rows: list[dict[str, Any]] = []
        self._broken: dict[str, int] = {}
        self._width = width(sys.stdout)

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

    def breach(self, where: str, breach: Breach) -> None:
        """Count and show a rule over many messages that was broken, or only count what is worth a note."""
        if breach.note:
            self._noted[breach.requirement] = self._noted.get(breach.requirement, 0) + 1
            return
        self.breaches += 1
        self._broken[breach.requirement] = self._broken.get(breach.requirement, 0) + 1
        if self._as_json:
            self._breach_rows.append(
                {
                    "where": one_line(where),
                    "message": breach.number,
                    "at_s": breach.at_us / 1e6,
                    "requirement": breach.requirement,
                    "node": one_line(breach.node),
                    "what": one_line(breach.what),
                    "since_message": breach.since,
                }
            )
        elif self.breaches <= SHOWN:
            place = f"{where}, message {breach.number}, {breach.at_us / 1e6:.3f} s"
            click.echo(self._wrapped(one_line(place), "", "    "))
            click.echo(self._wrapped(one_line(str(breach)), "  ", " " * 10))
            click.echo()

    def note(self, text: str) -> None:
        """Say something at the end that is no fault of a message."""
        self._notes.append(text)

    def _show(self, judgement: Judgement) -> None:
        click.echo(self._wrapped(one_line(judgement.subject.where), "", "    "))
        if judgement.surprise:
            click.echo(self._wrapped(judgement.surprise, "  ", "    "))
        for finding in judgement.findings:
            byte = "" if finding.byte is None else f"byte {finding.byte}"
            place = ", ".join(part for part in (finding.where, byte) if part)
            click.echo(self._wrapped(f"{finding.requirement}  {place}: {finding.what}", "  ", " " * 10))
            click.echo(self._wrapped(f"fix: {finding.fix}", " " * 10, " " * 16))
        click.echo()

    def _wrapped(self, text: str, first: str, rest: str) -> str:
        return styled(textwrap.fill(text, self._width, initial_indent=first, subsequent_indent=rest))

    def close(self) -> None:
        """Print the sum of it."""
        if self._as_json:
            found: dict[str, Any] = {
                "checked": self.total,
                "wrong": self.wrong,
                "complete": self.whole,
                "messages": self._rows,
            }
            if self._breach_rows or self._noted or self._notes:
                found |= {"rules": self._breach_rows, "noted": self._noted}
            wrong = self.wrong or self.breaches
            json_output.tell(
                found | {"requirements": self._sentences()}, exit_code=int(bool(wrong)),
                verdict=json_output.judged(wrong), findings=self._findings(), notes=self._notes,
            )  # fmt: skip
            return
        if self.wrong > SHOWN:
            click.echo(f"... and {self.wrong - SHOWN} more; --json shows all\n")
        for requirement, sentence in self._sentences().items():
            click.echo(self._wrapped(f"{requirement}  {sentence}", "", " " * 8))
        if self._broken:
            click.echo()
        for text in self._notes:
            click.echo(self._wrapped(f"note: {text}", "", "      "))
        if self._noted:
            noted = ", ".join(f"{id_} {count}x" for id_, count in sorted(self._noted.items()))
            click.echo(self._wrapped(f"noted, and no fault (messages lost, starts): {noted}", "", "  "))
        messages = f"{self.total} message{'s' * (self.total != 1)} checked"
        rules = (
            f", {self.breaches} time{'s' * (self.breaches != 1)} a rule over many broken"
            if self.breaches
            else ""
        )
        fine = "all right" if self.whole else "all right as far as it goes"
        right = fine if not (self.wrong or self.breaches) else f"{self.wrong} not as it should be"
        click.echo(f"{messages}: {_coloured(right)}{rules}")

    def _findings(self) -> Iterator[dict[str, Any]]:
        for row in self._rows:
            if row.get("surprise"):
                yield json_output.finding(row["surprise"], where=row["where"])
            for one in row["findings"]:
                place = ", ".join(part for part in (row["where"], one["where"]) if part)
                yield json_output.finding(
                    one["what"], requirement=one["requirement"], where=place, fix=one["fix"], byte=one["byte"]
                )
        for row in self._breach_rows:
            where = f"{row['where']}, message {row['message']}, {row['at_s']:.3f} s"
            yield json_output.finding(
                row["what"], requirement=row["requirement"], where=where, node=row["node"]
            )

    def _sentences(self) -> dict[str, str]:
        from protocol.specification import specification

        return {id_: specification().requirements[id_].says for id_ in sorted(self._broken)}


def _coloured(right: str) -> str:
    """The verdict in its colour."""
    return coloured(right, "green" if right.startswith("all right") else "red")


def _row(judgement: Judgement) -> dict[str, Any]:
    subject = judgement.subject
    findings = [
        {
            "requirement": finding.requirement,
            "where": finding.where,
            "byte": finding.byte,
            "what": finding.what,
            "fix": finding.fix,
        }
        for finding in judgement.findings
    ]
    name = {"topic": subject.topic} if subject.topic else {"message": subject.message}
    payload = subject.payload[:1024].hex()
    surprise = {"surprise": judgement.surprise} if judgement.surprise else {}
    return {"where": one_line(subject.where)} | name | {"payload": payload, "findings": findings} | surprise
