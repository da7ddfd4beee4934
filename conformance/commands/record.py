"""`yardwire record`: everything that is said under a site's root, to a file."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from conformance.commands.options import json_output
from conformance.commands.options.bus import bus_options
from conformance.commands.options.output_file import OutputFile
from conformance.commands.options.site import site_named, site_or_name_option
from conformance.commands.terminal import progress, stopping
from conformance.commands.terminal.quiet import chat, quiet_option, say_result
from conformance.files.whole_file import growing
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.recordings.record.alarm import Alarm
    from conformance.recordings.record.status_line import StatusLine
    from conformance.recordings.record.writer import RecordingFiles, Rotation
    from protocol.recording import EventKind, RecordedMessage

UNITS = {"": 1, "k": 1000, "M": 1000**2, "G": 1000**3}
TIMES = {"s": 1, "m": 60, "h": 3600}


def _size(_ctx: click.Context, _param: click.Parameter, text: str | None) -> int:
    found = re.fullmatch(r"([1-9][0-9]*)([kMG]?)B?", text) if text else None
    if text and not found:
        raise click.BadParameter("write it as 500k, 64M or 1G")
    return int(found[1]) * UNITS[found[2]] if found else 0


def _time(_ctx: click.Context, _param: click.Parameter, text: str | None) -> int:
    found = re.fullmatch(r"([1-9][0-9]*)([smh])", text) if text else None
    if text and not found:
        raise click.BadParameter("write it as 90s, 10m or 1h")
    return int(found[1]) * TIMES[found[2]] if found else 0


@click.command()
@click.argument("path", type=OutputFile())
@bus_options()
@site_or_name_option("The site to record ('+': every site)")
@click.option("--seconds", type=click.FloatRange(0.1), help="Stop after this time (default: at Ctrl-C).")
@click.option("--messages", type=click.IntRange(1), help="Stop after so many messages.")
@click.option("--rotate-size", callback=_size, metavar="SIZE", help="Begin a new file every 64M, say.")
@click.option("--rotate-every", callback=_time, metavar="TIME", help="Begin a new file every 1h, say.")
@click.option("--rotate-daily", is_flag=True, help="Begin a new file every day at midnight.")
@click.option(
    "--keep", callback=_size, metavar="SIZE", help="With rotation: thin out old files beyond 20G, say."
)
@click.option("--wait", is_flag=True, help="Wait for a broker that is not there yet, as at power-on.")
@click.option("--zstd", "pack", is_flag=True, help="Pack with zstd (needs the package zstandard).")
@click.option("--qos", type=click.IntRange(0, 1), default=1, show_default=True, help="QoS to subscribe with.")
@click.option(
    "--share", metavar="NAME",
    help="Share the bus with all recorders of this NAME (MQTT 5): each gets a part; 'yardwire runs merge' joins them.",
)  # fmt: skip
@click.option(
    "--alarm", "learned", metavar="FOLDER", type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Learn from the runs in this folder, and warn as soon as one is over that left their limits.",
)  # fmt: skip
@quiet_option
@json_output.json_option("Print the summary as one JSON document.")
def record(
    path: Path,
    bus: Address,
    site: str | None,
    seconds: float | None,
    messages: int | None,
    rotate_size: int,
    rotate_every: int,
    rotate_daily: bool,
    keep: int,
    wait: bool,
    pack: bool,
    qos: int,
    share: str | None,
    learned: Path | None,
    as_json: bool,
) -> int:
    """Record everything said under a site's root to the file PATH.

    Ctrl-C is the normal end: the file is then complete, with an end mark, and the exit code is 130. What was
    flushed, at least twice a second, survives the death of the recorder. Losses of the connection are noted
    in the file as what they are. With rotation the files are PATH-0001, PATH-0002 and so on. It says when the disk
    will be full. With --keep the oldest files go when all of the folder take more than SIZE, but for those with a
    run that failed or that somebody has marked ('yardwire runs thin' does the same by hand).

    With --alarm every run is judged as 'yardwire trend' does, and what has left its limits is said at once; the exit
    code is 1 where the recorder ends by itself.

    \b
    Examples:
      yardwire record run.ywrec --site harlow-basin --broker mqtt://localhost
      yardwire record yard.ywrec --site harlow-basin --rotate-daily --keep 20G
    """  # noqa: D301 - click wants the character itself
    from conformance.recordings.record.writer import Rotation

    if pack:
        _require_zstandard()
    name, _ = site_named(site)
    if name is None:
        fix = "Say --site with its name or its file, or --site + for every one"
        raise Trouble("no site is named", fix=fix)
    if share is not None and re.fullmatch("[A-Za-z0-9._-]{1,40}", share) is None:
        raise Trouble(
            f"{share!r} is no name to share by", fix="It has 1 to 40 characters A-Z a-z 0-9 . _ and '-'"
        )
    if share is not None and (learned is not None or wait):
        what = "--alarm needs to hear everything" if learned is not None else "--wait is for a recorder alone"
        raise click.UsageError(f"{what}, and with --share this recorder gets a part")
    rotation = Rotation(rotate_size, rotate_every * 1_000_000, rotate_daily)
    if keep and not rotation:
        raise click.UsageError("--keep takes whole files away: it needs rotation by size, time or day")
    with stopping.gently(lambda: None):
        alarm = _alarm(learned) if learned is not None else None
        session = _Session(
            bus,
            name,
            path,
            rotation,
            pack=pack,
            qos=qos,
            quiet=as_json,
            alarm=alarm,
            share=share,
            wait=wait,
            keep=keep,
        )
    try:
        session.run(seconds, messages)
    finally:
        if session.recording.messages or session.capture.connections:
            _tell(session.recording, session.line, alarm, as_json=as_json)
        else:
            session.discard()
    if number := stopping.asked():
        raise stopping.Stopped(number)
    return 1 if alarm is not None and alarm.lines else 0


def _alarm(folder: Path) -> Alarm:
    from conformance.commands.options.learned import learned_from
    from conformance.recordings.record.alarm import Alarm

    def tell(line: str) -> None:
        progress.clear()
        click.echo(line, err=True)

    return Alarm(learned_from(folder, None), tell)


class _Session:
    """One recording under way."""

    def __init__(
        self,
        address: Address,
        site: str,
        path: Path,
        rotation: Rotation,
        *,
        pack: bool,
        qos: int,
        quiet: bool,
        alarm: Alarm | None = None,
        share: str | None = None,
        wait: bool = False,
        keep: int = 0,
    ) -> None:
        from conformance.recordings.record.capture import Capture
        from conformance.recordings.record.disk import DiskWatch, Thinning
        from conformance.recordings.record.merging import SHARED
        from conformance.recordings.record.shared import SharedCapture
        from conformance.recordings.record.status_line import StatusLine
        from conformance.recordings.record.writer import RecordingFiles, now_iso
        from protocol.recording import Header
        from protocol.specification import specification

        self._alarm = alarm
        self.disk = DiskWatch(path.resolve().parent)
        self._warned = False
        self._thinning = Thinning(path.resolve().parent, keep) if keep else None
        self.line = StatusLine(None if quiet else progress.show)
        topics = f"{specification().root}/{site}/#"
        self.capture = (
            Capture(address, topics, self._take, qos, _tell_waiting() if wait else None)
            if share is None
            else SharedCapture(address, topics, self._take, qos, share)
        )
        source = address.name if share is None else f"{address.name}, {SHARED}{share}"
        from importlib.metadata import version

        header = Header(site, now_iso(), source, version("yardwire"))
        self.recording = RecordingFiles(path, header, rotation, pack=pack)
        self._most: int | None = None
        self._end_us: float | None = None

    def run(self, seconds: float | None, messages: int | None) -> None:
        """Record to the end, or until a signal. Raises Trouble."""
        from conformance.recordings.record.writer import RecordingFull

        self._most = messages
        self._end_us = None if seconds is None else seconds * 1e6
        with growing(self.recording.files[-1]), stopping.gently(self._stop):
            try:
                self._listen()
                self.recording.close(self.capture.now_us())
                if self._alarm is not None:
                    self._alarm.close()
                self._thin()
            except RecordingFull as error:
                self.recording.abandon()
                where = str(self.recording.files[-1])
                fix = "What is in the file is whole and can be read; make room and record again"
                raise Trouble(f"nothing more could be written: {error}", where=where, fix=fix) from error

    def _listen(self) -> None:
        try:
            if not stopping.asked():
                self.capture.run(self._note, self._pause)
        except stopping.Stopped:
            if not self.capture.connections:
                raise

    def _stop(self) -> None:
        """Between two messages, never inside one; at once where a broker is waited for."""
        self.capture.stop()
        number = stopping.asked()
        if self.capture.connecting and number:
            raise stopping.Stopped(number)

    def discard(self) -> None:
        """Leave no file behind where nothing was ever heard."""
        self.recording.abandon()
        self.recording.files[-1].unlink()

    def _note(self, at_us: int, kind: EventKind, text: str) -> None:
        self.recording.note(at_us, kind, text)
        if self._alarm is not None:
            self._alarm.note(at_us, kind, text)

    def _thin(self) -> None:
        """Make room, where that is asked for, once there is a new file."""
        if self._thinning is not None:
            self._thinning.look(len(self.recording.files))

    def _take(self, item: RecordedMessage) -> None:
        self.recording.message(item)
        self.line.hear(item)
        if self._alarm is not None:
            self._alarm.hear(item)
        if self.recording.messages == self._most:
            self.capture.stop()

    def _pause(self, now_us: int) -> None:
        self.recording.settle(now_us)
        if self.disk.look(now_us, self.recording.written):
            self.line.disk = self.disk.told
            if self.disk.is_near and not self._warned:
                self._warned = True
                progress.clear()
                click.echo(f"WARNING: {self.disk.told}", err=True)
            self._thin()
        self.line.pause(now_us)
        if self._alarm is not None:
            self._alarm.pause(now_us)
        if self._end_us is not None and now_us >= self._end_us:
            self.capture.stop()


def _tell_waiting() -> Callable[[str], object]:
    """Says once for what is waited."""
    told: list[str] = []

    def tell(why: str) -> None:
        if not told:
            click.echo(f"waiting for the broker: {why}", err=True)
        told.append(why)

    return tell


def _tell(recording: RecordingFiles, line: StatusLine, alarm: Alarm | None, *, as_json: bool) -> None:
    if as_json:
        files = [str(file) for file in recording.files]
        counts = {"messages": recording.messages, "retained": line.retained, "nodes": line.nodes}
        judged = {"judged": line.judged, "invalid": line.invalid}
        told = {} if alarm is None else {"runs_judged": alarm.runs, "alarms": alarm.lines}
        found = alarm.lines if alarm is not None else []
        ended = stopping.asked()
        code = int(bool(found)) if ended is None else stopping.SIGNAL_BASE + ended
        json_output.tell(
            {"files": files} | counts | judged | told, exit_code=code,
            verdict=None if alarm is None else json_output.judged(found),
            findings=[json_output.finding(line) for line in found],
        )  # fmt: skip
        return
    progress.clear()
    more = f" to {recording.files[-1]}" if len(recording.files) > 1 else ""
    say_result(f"{recording.files[0]}{more}: {line.summary()}")
    if recording.messages < line.messages:
        left_out = line.messages - recording.messages
        say_result(f"NOT RECORDED: {left_out:,} of them; {recording.messages:,} are in the file")
    if alarm is not None:
        more = f"; {alarm.left_out} had too many messages at once" if alarm.left_out else ""
        say_result(f"{alarm.runs} runs judged, {len(alarm.lines)} alarms{more}")
    chat(f"Next: yardwire show {recording.files[0]}", err=False)


def _require_zstandard() -> None:
    from importlib.util import find_spec

    if find_spec("zstandard") is None:
        fix = "pip install zstandard, or leave --zstd out"
        raise Trouble("packing needs the package zstandard, which is not installed", fix=fix)
