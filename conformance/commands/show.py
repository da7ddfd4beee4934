"""`yardwire show`: a recording as a table, lanes, figures, pages and files for other tools."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands.options import json_output
from conformance.commands.options.output_file import OutputFile
from conformance.commands.terminal.quiet import quiet_option, say_result
from conformance.files.whole_file import require_folder, write
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.recordings.files import Source
    from conformance.recordings.message_summary import MessageSummary
    from conformance.recordings.show.export import Pair
    from conformance.recordings.show.filters import Filter

AT_A_TIME = 200
"""Lines that are printed at once."""
MOST_ON_A_PAGE = 20_000
"""Messages on an HTML page: a browser has to hold them all."""


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--node", "nodes", multiple=True, metavar="NAME", help="Only what concerns this node.")
@click.option("--message", "messages", multiple=True, metavar="NAME", help="Only this message.")
@click.option("--job", metavar="ID", help="Only this job, as a number or as the table shows it.")
@click.option("--since", type=float, default=0.0, metavar="S", help="Only from this second on.")
@click.option("--until", type=float, default=float("inf"), metavar="S", help="Only up to this second.")
@click.option("--invalid", is_flag=True, help="Only messages that are not valid, and what is wrong.")
@click.option("--retained/--live", default=None, help="Only retained messages, or only live ones.")
@click.option("--where", metavar="EXPR", help="Only where fields compare so, such as '@.axes[0][0] > 400'.")
@click.option("--lanes", is_flag=True, help="A lane a node, orders and reports as arrows between them.")
@click.option(
    "--together", is_flag=True, help="Recordings that do not continue each other, on one time axis."
)
@click.option(
    "--delta", is_flag=True, help="Of each message only what is different to the one before it on its topic."
)
@click.option("--stats", is_flag=True, help="Figures instead of messages.")
@click.option("--html", type=OutputFile(), help="Write a page (with --stats: plots).")
@click.option("--export", type=OutputFile(), help="Write a .jsonl, .csv or .parquet.")
@quiet_option
@json_output.json_option("Print one JSON document, a message a line.")
@click.option(
    "--jsonl", "as_lines", is_flag=True, help="Print JSON Lines: a message a line, and nothing else."
)
@click.option("--limit", type=click.IntRange(1), help="Stop after so many messages.")
def show(
    recordings: tuple[Path, ...],
    nodes: tuple[str, ...],
    messages: tuple[str, ...],
    job: str | None,
    since: float,
    until: float,
    invalid: bool,
    retained: bool | None,
    where: str | None,
    lanes: bool,
    together: bool,
    delta: bool,
    stats: bool,
    html: Path | None,
    export: Path | None,
    as_json: bool,
    as_lines: bool,
    limit: int | None,
) -> int:
    """Show, filter, count and export a recording.

    One line a message: its number, the second, r for retained and ! for not valid, the node, the message,
    what it says; between them, when the recorder lost its connection and had it again. Files of one recording that
    was rotated may be named together, and a run by its name (monday.ywrec#7). '-' is standard input.

    --where takes a comparison as in a JSONPath filter (RFC 9535); @ is the message.

    \b
    Examples:
      yardwire show run.ywrec --node north --since 20 --until 30
      yardwire show run.ywrec --where '@.reason == "busy"'
      yardwire show run.ywrec --job 1.8f2.3 --lanes
      yardwire show run.ywrec --node north --delta
      yardwire show run.ywrec --stats --html figures.html
      yardwire show run.ywrec --export run.parquet
    """  # noqa: D301 - click wants the character itself
    from conformance.recordings.runs.opening import opened
    from conformance.recordings.show.filters import FieldTest, Filter, job_id

    _check_messages(messages)
    for path in (html, export):
        require_folder(path)
    fields = FieldTest(where) if where else None
    wanted = Filter(
        nodes=frozenset(nodes) if nodes else None,
        messages=frozenset(messages) if messages else None,
        job=job_id(job) if job else None,
        since_ms=since * 1000,
        until_ms=until * 1000,
        valid=False if invalid else None,
        retained=retained,
        where=fields,
    )
    recording = opened(recordings, together=together)
    if stats:
        _stats(recording, wanted, html, as_json=as_json)
    elif export is not None:
        from conformance.recordings.show.export import export_to

        rows = export_to(export, recording.header.started, islice(_wanted(recording, wanted), limit))
        say_result(f"{export}: {rows:,} messages")
    elif html is not None:
        _page(recording, wanted, html, limit)
    elif as_json or as_lines:
        from conformance.recordings.show.export import json_lines

        lines = json_lines(recording.header.started, islice(_wanted(recording, wanted), limit))
        if as_lines:
            _say(lines)
        else:
            json_output.tell_lines("messages", lines, lambda: recording.cuts)
    elif lanes:
        _lanes(recording, wanted, limit)
    else:
        _table(recording, wanted, limit, why=invalid, delta=delta)
    for cut in recording.cuts:
        click.echo(f"note: {cut}", err=True)
    if fields is not None and limit is None:
        fields.check()
    return 0


def _check_messages(names: tuple[str, ...]) -> None:
    from protocol.specification import specification

    for name in names:
        if name not in specification().messages:
            known = ", ".join(specification().messages)
            raise Trouble(f"there is no message {name!r}", where="--message", fix=f"The messages are {known}")


def _wanted(recording: Source, wanted: Filter) -> Iterator[Pair]:
    from conformance.recordings.message_summary import summaries

    return (pair for pair in summaries(recording.items()) if wanted(pair[1]))


def _begin(recording: Source) -> None:
    header = recording.header
    say_result(f"{header.site}, from {header.started[:19]} UTC, at {header.source}")


def _lanes(recording: Source, wanted: Filter, limit: int | None) -> None:
    from shutil import get_terminal_size

    from conformance.recordings.show.lanes import Lanes, nodes_of

    def shown() -> Iterator[MessageSummary]:
        return (line for _, line in islice(_wanted(recording, wanted), limit))

    _begin(recording)
    nodes = nodes_of(shown())
    recording.cuts.clear()  # They are told of the second reading.
    drawn = Lanes(nodes, get_terminal_size().columns)
    _say(chain(drawn.heading(), drawn.lines(shown())))


def _table(recording: Source, wanted: Filter, limit: int | None, *, why: bool, delta: bool) -> None:
    from conformance.recordings.show import text

    _begin(recording)
    lines = _lines(recording, wanted, limit, why=why, delta=delta)
    first = next(lines, None)
    if first is None:
        names = _speakers(recording)
        say_result(f"No message fits. Nodes that speak in it: {', '.join(names) or 'none'}")
        return
    click.echo(text.HEADING)
    _say(chain([first], lines))


def _speakers(recording: Source) -> list[str]:
    from conformance.recordings.show.filters import Filter

    recording.cuts.clear()
    return sorted({line.speaker for _, line in _wanted(recording, Filter())} - {""})


def _lines(recording: Source, wanted: Filter, limit: int | None, *, why: bool, delta: bool) -> Iterator[str]:
    """The table: messages that are wanted, and what befell the recorder between them."""
    from conformance.recordings.changes import Changes
    from conformance.recordings.message_summary import Summarizer
    from conformance.recordings.show import text
    from protocol.recording import EventKind, RecordedEvent, RecordedMessage

    summarizer, left, found, changes = Summarizer(), limit, False, Changes()
    waiting: list[str] = []
    for item in recording.items():
        if left == 0:
            return
        if isinstance(item, RecordedEvent):
            if item.kind != EventKind.NOTE and wanted.in_time(item.at_us / 1000):
                waiting.append(text.event(item, recording.header.started))
        elif isinstance(item, RecordedMessage) and wanted(line := summarizer.summary(item)):
            found = True
            yield from waiting
            waiting.clear()
            if delta:
                told = changes.words(item.topic, line.message, line.body, line.words)
                line = replace(line, words=told)
            yield text.row(line)
            if why:
                yield from text.faults(line)
            left = left and left - 1
    if found and not recording.ended:  # At its end the recorder leaves by itself.
        yield from waiting


def _say(lines: Iterable[str]) -> None:
    """Print many lines, some hundreds at a time: each time costs as much as a line does."""
    waiting: list[str] = []
    try:
        for line in lines:
            waiting.append(line)
            if len(waiting) == AT_A_TIME:
                said, waiting = waiting, []
                click.echo("\n".join(said))
    finally:  # What stands before a damage is shown.
        if waiting:
            click.echo("\n".join(waiting))


def _stats(recording: Source, wanted: Filter, html: Path | None, *, as_json: bool) -> None:
    from conformance.recordings.message_summary import Summarizer
    from conformance.recordings.show import text
    from conformance.recordings.show.statistics import Statistics
    from protocol.recording import RecordedEvent, RecordedMessage

    found, summarizer = Statistics(), Summarizer()
    for item in recording.items():
        if isinstance(item, RecordedEvent):
            found.event(item)
        elif isinstance(item, RecordedMessage) and wanted(line := summarizer.summary(item)):
            found.take(item, line)
    if html is not None:
        from conformance.recordings.show.figures_page import figures_page

        write(html, figures_page(recording.header, found))
        say_result(f"Wrote {html}")
    elif as_json:
        json_output.tell(found.as_json(), notes=recording.cuts)
    else:
        for told in text.figures(found):
            click.echo(told)


def _page(recording: Source, wanted: Filter, html: Path, limit: int | None) -> None:
    from conformance.recordings.show.story import tell
    from conformance.recordings.show.story_page import story_page

    most = min(limit or MOST_ON_A_PAGE, MOST_ON_A_PAGE)
    pairs = list(islice(_wanted(recording, wanted), most + 1))
    story = tell(recording.header, [item for item, _ in pairs[:most]])
    write(html, story_page(story))
    cut = f"; only the first {most:,} messages are on it" if len(pairs) > most else ""
    say_result(f"Wrote {html}{cut}")
