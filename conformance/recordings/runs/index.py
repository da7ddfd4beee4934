"""All runs of a folder, found once and kept beside the recordings; what was changed is read again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from conformance.recordings.files import Source
from conformance.recordings.runs import cache
from conformance.recordings.runs.cutting import RecordingCutter
from conformance.recordings.runs.folder import Recording, look
from conformance.recordings.runs.marks import Mark, Marks, read_marks, write_rule
from conformance.recordings.runs.name import RunName
from conformance.recordings.runs.rule import CutRule
from conformance.recordings.runs.run import Run
from protocol.bulk_reading import BulkReader
from protocol.foreign_text import one_line
from protocol.recording import Header
from protocol.trouble import Trouble


@dataclass(slots=True)
class RunIndex:
    """The runs of a folder in the order in which they began, and what could not be read, a line each."""

    folder: Path
    rule: CutRule
    marks: Marks
    runs: list[Run] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    _files: list[str] = field(default_factory=list)

    def files(self) -> list[Path]:
        """All files of recordings in the folder that could be read, whether a run is in them or not."""
        return [self.folder / file for file in self._files]

    def mark(self, run: Run) -> Mark:
        """What was said of a run."""
        return self.marks.of(run.name)

    def named(self, name: RunName) -> Run:
        """The run of this name. Raises Trouble."""
        for run in self.runs:
            if run.name == name:
                return run
        known = [str(run.name) for run in self.runs if run.name.file == name.file]
        of_it = f"The runs that begin in it are {', '.join(known[:8])}" if known else "Name another file"
        more = f" and {len(known) - 8} more" if len(known) > 8 else ""
        raise Trouble(f"there is no run {name}", where=str(self.folder), fix=of_it + more)

    def source(self, run: Run) -> Source:
        """A run, to be read like any recording: times count from its beginning, and so do messages."""
        paths = tuple(self.folder / file for file in run.files)
        header = Header(run.site, run.began, f"run {run.name}", "")
        return Source(paths, header, [], section=run.section, label=str(self.folder / str(run.name)))

    def sources(self) -> Iterator[tuple[Run, Source]]:
        """Every run, ready to be read."""
        return ((run, self.source(run)) for run in self.runs)


def index_of(
    folder: Path, rule: CutRule | None = None, tick: Callable[[str], object] | None = None
) -> RunIndex:
    """Find the runs of a folder. `rule` is how to cut; None: as the folder has been cut, or at a supervisor's start.

    `tick` gets the name of each file that has to be read. Raises Trouble where the folder cannot be read, or where
    another rule would give runs that somebody has marked other names.
    """
    marks = read_marks(folder)
    chosen = _rule(folder, marks, rule)
    kept = cache.load(folder, str(chosen))
    found = look(folder, kept.parts)
    new = cache.Cache(str(chosen))
    index = RunIndex(folder, chosen, marks, troubles=found.troubles)
    reader = BulkReader(0)
    for recording in found.recordings:
        first = recording.parts[0].file
        known = kept.recordings.get(first)
        if known is None or known.parts != list(recording.parts):
            known = _read(folder, recording, chosen, known, tick, reader)
        new.parts |= {part.file: part for part in recording.parts}
        new.recordings[first] = known
        index.runs += known.runs
        index._files += [part.file for part in recording.parts]
        index.troubles += known.troubles
        if not known.runs and not known.troubles:
            index.troubles.append(f"{one_line(first)}: no run in it")
    index.runs.sort(key=lambda run: (run.began, run.name))
    if (new.parts, new.recordings) != (kept.parts, kept.recordings):
        cache.save(folder, new)
    return index


def _rule(folder: Path, marks: Marks, asked: CutRule | None) -> CutRule:
    kept = marks.rule
    if asked is None or asked == kept:
        return kept or CutRule()
    if kept is not None and marks.of_run:
        raise Trouble(
            f"the recordings here are cut by '{kept}'; by '{asked}' runs that were marked would have other names",
            where=str(folder / "runs.toml"),
            fix="Take 'cut' and the marks out of that file if you mean it",
        )
    if asked != (kept or CutRule()):
        write_rule(folder, asked)
    return asked


def _read(
    folder: Path,
    recording: Recording,
    rule: CutRule,
    known: cache.Kept | None,
    tick: Callable[[str], object] | None,
    reader: BulkReader,
) -> cache.Kept:
    cutter = RecordingCutter(folder, recording, rule, tick, reader)
    if known is not None and known.resume is not None and _has_grown(known, recording):
        try:
            cutter.go_on(known.runs, known.resume)
        except (KeyError, TypeError, ValueError, AttributeError):
            cutter = RecordingCutter(folder, recording, rule, tick, reader)
            cutter.read()
    else:
        cutter.read()
    return cache.Kept(list(recording.parts), cutter.resume, cutter.runs, cutter.troubles)


def _has_grown(known: cache.Kept, recording: Recording) -> bool:
    """Whether a recording is what it was, and more behind it: then all but its last run stand as they did."""
    if known.troubles or not known.runs or known.runs[-1].section.end_byte is not None:
        return False
    *before, last = known.parts
    now = recording.parts
    if len(now) < len(known.parts) or list(now[: len(before)]) != before:
        return False
    same = now[len(before)]
    return (same.file, same.started, same.before) == (
        last.file,
        last.started,
        last.before,
    ) and same.size >= last.size
