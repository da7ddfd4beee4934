"""`yardwire runs merge`: one recording of those of several recorders."""

from __future__ import annotations

from pathlib import Path

import click

from conformance.commands.options import json_output
from conformance.commands.options.output_file import OutputFile
from conformance.commands.terminal.quiet import chat, quiet_option, say_result


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--out", required=True, type=OutputFile(), help="The recording to write.")
@quiet_option
@json_output.json_option("Print the counts and the clocks as one JSON document.")
def merge(recordings: tuple[Path, ...], out: Path, as_json: bool) -> None:
    """Make one recording of those of recorders that shared a bus ('yardwire record --share NAME').

    Messages stand in the order of their receipt; how far the recorders' clocks differ is measured by the uptimes
    that the nodes say. Identical messages are kept, as each was said. What the broker had kept was given to each
    recorder, and stands there once.

    Example: yardwire runs merge a.ywrec b.ywrec c.ywrec d.ywrec --out run.ywrec
    """
    from conformance.recordings.files import open_plain, source
    from conformance.recordings.record.merging import merged
    from protocol.recording import RecordedMessage, RecordingWriter

    sources = [source((path,)) for path in recordings]
    header, items, told = merged(sources)
    end_us = 0
    with open_plain(out, "xb") as file:
        writer = RecordingWriter(file, header)
        for item in items:
            end_us = item.at_us
            if isinstance(item, RecordedMessage):
                writer.message(item)
            else:
                writer.event(item)  # type: ignore[arg-type]
            if writer.waiting > 1 << 18:
                writer.flush()
        writer.end(end_us)
    cuts = [str(cut) for one in sources for cut in one.cuts]
    if as_json:
        json_output.tell(
            {
                "file": str(out), "messages": told.messages, "kept_once": told.kept_once,
                "put_in_order": told.put_in_order,
                "clocks": [
                    {
                        "recording": one.name, "ahead_us": offset.us, "minutes": offset.windows,
                        "scatter_us": offset.scatter_us,
                    }
                    for one, offset in zip(sources, told.offsets, strict=True)
                ],
            },
            notes=cuts,
        )  # fmt: skip
        return
    say_result(
        f"{out}: {told.messages:,} messages of {len(sources)} recordings; {told.kept_once:,} retained ones kept once"
    )
    for one, offset in zip(sources[1:], told.offsets[1:], strict=True):
        if offset.windows:
            told_by = f"by {offset.windows} minutes of nodes, +-{offset.scatter_us / 1000:.1f} ms"
            say_result(f"  {one.name}: clock {offset.us / 1e6:+.3f} s to the first ({told_by})")
        else:
            say_result(f"  {one.name}: no node was heard by both; its clock is taken as it is")
    if told.put_in_order:
        say_result(f"  {told.put_in_order:,} messages had overtaken another one of their topic")
    for cut in cuts:
        click.echo(f"note: {cut}", err=True)
    chat(f"Next: yardwire show {out}", err=False)
