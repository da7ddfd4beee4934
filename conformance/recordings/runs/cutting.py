"""One recording, read once and cut into runs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from conformance.recordings.files import Section, damage_told, open_recording
from conformance.recordings.runs.cutter import Cutter
from conformance.recordings.runs.folder import Part, Recording, in_a_line
from conformance.recordings.runs.gathering import Gathering
from conformance.recordings.runs.name import RunName, plain_name
from conformance.recordings.runs.rule import CutRule
from conformance.recordings.runs.run import Run
from protocol.bulk_reading import BulkReader
from protocol.foreign_text import one_line
from protocol.recording import EventKind, RecordedEvent, RecordedMessage, RecordingReader
from protocol.topics import Topic
from protocol.trouble import Trouble

Body = Mapping[str, Any]
CUTS = frozenset({"node-status", "job-order", "job-report"})
"""What a run can begin with, or what tells that the next one may."""
OPEN_END = "no end mark: the recorder still runs, was killed, lost its power, or had no room left"


@dataclass(frozen=True, slots=True)
class Resume:
    """What has to be known to go on at the beginning of the last run: the cutters behind its first message."""

    cutter: dict[str, Any]
    local: dict[str, Any]
    began: int
    """Runs that began in its file, it among them."""


class RecordingCutter:
    """Reads the parts of a recording in order; `runs` and `troubles` grow."""

    def __init__(
        self,
        folder: Path,
        recording: Recording,
        rule: CutRule,
        tick: Callable[[str], object] | None = None,
        reader: BulkReader | None = None,
    ) -> None:
        """`tick` gets the name of each file that is read; `reader` may have read other recordings before."""
        self._folder, self._recording, self._rule = folder, recording, rule
        self._tick = tick
        self.runs: list[Run] = []
        self.troubles: list[str] = []
        self.resume: Resume | None = None
        self._reader = reader or BulkReader(0)
        self._cutter = Cutter(rule, continues=recording.continues)
        self._local = self._cutter
        """What knows of the present file alone."""
        self._began = 0
        self._open = _OpenRun(rule, fragment=True)
        self._lost_connection = False

    def read(self) -> None:
        """Read all parts."""
        for part in self._recording.parts:
            self._local, self._began = Cutter(self._rule, continues=part.before is not None), 0
            self._guarded(part, 0)
        self._close("")

    def go_on(self, runs: Sequence[Run], resume: Resume) -> None:
        """Read from the beginning of the last of `runs` on. Raises KeyError, TypeError or ValueError for no state."""
        *before, last = runs
        self.runs = list(before)
        self._cutter = Cutter.restored(self._rule, resume.cutter)
        self._local, self._began = Cutter.restored(self._rule, resume.local), resume.began
        self.resume = resume
        self._open = _OpenRun(self._rule, name=last.name)
        files = [part.file for part in self._recording.parts]
        first = files.index(last.files[0])
        self._guarded(self._recording.parts[first], last.section.first_byte, begun=False)
        for part in self._recording.parts[first + 1 :]:
            self._local, self._began = Cutter(self._rule, continues=part.before is not None), 0
            self._guarded(part, 0)
        self._close("")

    def _guarded(self, part: Part, byte: int, *, begun: bool = True) -> None:
        path = self._folder / part.file
        if self._tick is not None:
            self._tick(part.file)
        try:
            with open_recording(path) as file, damage_told(path):
                self._part(part, RecordingReader(file), byte, begun=begun)
        except Trouble as trouble:
            self.troubles.append(in_a_line(part.file, trouble))
            self._close(one_line(trouble.what))
            self._cutter = Cutter(self._rule, continues=True)
            self._open = _OpenRun(self._rule, fragment=True)

    def _part(self, part: Part, reader: RecordingReader, byte: int, *, begun: bool) -> None:
        """Read a part from `byte` on; `begun` is False where the message there begins the run that is open."""
        shift_us = between_us(self._recording.parts[0].started, part.started)
        self._open.enter(part)
        for item in reader:
            if reader.byte < byte:
                continue
            if isinstance(item, RecordedMessage):
                self._message(reader.byte, part, item, shift_us, cut=begun)
                begun = True
                continue
            self._open.goes_on(item.at_us)
            if isinstance(item, RecordedEvent) and item.kind == EventKind.DISCONNECTED:
                self._lost_connection = True  # It counts where anything follows.
                self._open.gathering.disconnected()
        self._open.leave(reader)

    def _message(self, byte: int, part: Part, item: RecordedMessage, shift_us: int, *, cut: bool) -> None:
        topic = self._reader.topic(item.topic)
        reading = self._reader.read(item.topic, item.payload)
        body = reading.body
        readable = topic is not None and body is not None
        if cut and topic is not None and body is not None and topic.message in CUTS:
            self._cut_before(topic, body, byte, part, item)
        run = self._open
        run.begin(byte, item.at_us)
        gathering = run.gathering
        if self._lost_connection:
            self._lost_connection = False
            gathering.facts.connection_losses += 1
        gathering.count(retained=item.retain, valid=not reading.findings)
        if readable and not item.retain:
            assert topic is not None
            assert body is not None
            gathering.take(item.topic, topic, body, shift_us + item.at_us)
        run.end_us = item.at_us

    def _cut_before(self, topic: Topic, body: Body, byte: int, part: Part, item: RecordedMessage) -> None:
        """Begin a new run where this message does."""
        here = self._local.begins(topic, body, retained=item.retain)
        self._began += here
        begins = self._cutter.begins(topic, body, retained=item.retain)
        # What only an earlier file shows to be a beginning is #0, so that the others keep their numbers without it.
        if begins and (here or not self._is_taken(part)):
            self._close("", (byte, item.at_us))
            name = RunName(plain_name(part.file), self._began if here else 0)
            self._open = _OpenRun(self._rule, name=name)
            self._open.enter(part)
            self.resume = Resume(self._cutter.state(), self._local.state(), self._began)

    def _is_taken(self, part: Part) -> bool:
        """Whether this file has a run #0 already."""
        return any(run.name == RunName(plain_name(part.file), 0) for run in self.runs)

    def _close(self, damage: str, end: tuple[int, int] | None = None) -> None:
        run = self._open.closed(damage, end)
        if run is not None:
            self.runs.append(run)


class _OpenRun:
    """The run that is being read."""

    def __init__(self, rule: CutRule, name: RunName | None = None, *, fragment: bool = False) -> None:
        self.gathering = Gathering(rule)
        self._name = name
        self._fragment = fragment
        self._parts: list[Part] = []
        self._first: tuple[int, int] | None = None
        self.end_us = 0
        self._cut = ""

    def enter(self, part: Part) -> None:
        """It begins or goes on in this file."""
        self._parts.append(part)
        self.end_us = 0

    def begin(self, byte: int, at_us: int) -> None:
        """A message is in it: with the first one it begins."""
        if self._first is None:
            self._first = (byte, at_us)
            self._parts = self._parts[-1:]

    def goes_on(self, at_us: int) -> None:
        """Something befell the recorder, or it ended."""
        if self._first is not None:
            self.end_us = at_us

    def leave(self, reader: RecordingReader) -> None:
        """The file is at its end."""
        if reader.cut_at is not None:
            self._cut = f"breaks off at byte {reader.cut_at}"
        else:
            self._cut = "" if reader.ended else OPEN_END

    def closed(self, damage: str, end: tuple[int, int] | None) -> Run | None:
        """The run that it was; None for what has nothing in it."""
        if self._first is None:
            return None
        facts = self.gathering.close(before_another=end is not None)
        if self._fragment and not facts.jobs:
            return None
        first, last = self._parts[0], self._parts[-1]
        end_byte, end_us = end if end is not None else (None, self.end_us)
        lasted_us = between_us(first.started, last.started) + end_us - self._first[1]
        began = datetime.fromisoformat(first.started) + timedelta(microseconds=self._first[1])
        return Run(
            name=self._name or RunName(plain_name(first.file), 0),
            site=first.site,
            began=began.isoformat(),
            duration_s=lasted_us / 1e6,
            result=self.gathering.result(facts),
            files=tuple(part.file for part in self._parts),
            section=Section(self._first[0], end_byte, self._first[1], end_us),
            facts=facts,
            cut=damage or ("" if end is not None else self._cut),
            fragment=self._fragment,
        )


def between_us(first: str, other: str) -> int:
    """From one time in ISO 8601 to another; 0 where they cannot be compared."""
    try:
        return round((datetime.fromisoformat(other) - datetime.fromisoformat(first)).total_seconds() * 1e6)
    except (ValueError, TypeError):
        return 0
