"""What recordings there are in a folder: files that continue each other belong together, and what is none is said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from conformance.recordings.files import continued_by, damage_told, is_recording, open_recording
from conformance.recordings.runs.name import PACKED, plain_name
from protocol.foreign_text import one_line
from protocol.recording import MAGIC, Header, RecordingReader
from protocol.trouble import Trouble

SUFFIX = ".ywrec"
MOST_FILES = 100_000
"""Files of a folder that are looked at."""


@dataclass(frozen=True, slots=True)
class Part:
    """One file of a recording, as it was when it was looked at."""

    file: str
    size: int
    changed_ns: int
    site: str
    started: str
    before: str | None
    """The file that it continues; None for a beginning."""

    @property
    def stamp(self) -> tuple[str, int, int]:
        """What is another one once the file was changed."""
        return (self.file, self.size, self.changed_ns)


@dataclass(frozen=True, slots=True)
class Recording:
    """Parts that continue each other; `continues`: what stands before them is not there."""

    parts: tuple[Part, ...]
    continues: bool


@dataclass(slots=True)
class Folder:
    """The recordings of a folder, in the order in which they began, and what could not be read, a line each."""

    path: Path
    recordings: list[Recording] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)


def look(folder: Path, known: Mapping[str, Part]) -> Folder:
    """Look at a folder; what of `known` has not changed is not opened again. Raises Trouble."""
    found = Folder(folder)
    parts: dict[str, Part] = {}
    for path in _files(folder, found.troubles):
        try:
            part = _part(path, known.get(path.name))
        except Trouble as trouble:
            found.troubles.append(in_a_line(path.name, trouble))
            continue
        name = plain_name(path.name)
        if name in parts:
            found.troubles.append(f"{one_line(path.name)}: left out, for {name} is there unpacked")
            continue
        parts[name] = part
    found.recordings = _chains(parts)
    return found


def in_a_line(file: str, trouble: Trouble) -> str:
    """What is wrong with a file, in one line."""
    return f"{one_line(file)}: {one_line(trouble.what)}"


def _files(folder: Path, troubles: list[str]) -> Iterable[Path]:
    """Files by name, each unpacked one before what it may be packed as."""
    try:
        paths = sorted(folder.iterdir())
    except OSError as error:
        raise Trouble(f"cannot be read: {error.strerror}", where=str(folder), fix="Name a folder") from None
    if len(paths) > MOST_FILES:
        troubles.append(f"only the first {MOST_FILES:,} of {len(paths):,} files were looked at")
    return [path for path in paths[:MOST_FILES] if path.is_file() and _may_be_one(path)]


def _may_be_one(path: Path) -> bool:
    if path.name.endswith((SUFFIX, SUFFIX + PACKED)):
        return True
    if path.name.endswith((".part", PACKED)) or not is_recording(path):
        return False
    with path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC


def _part(path: Path, known: Part | None) -> Part:
    """Raises Trouble for what is no recording or cannot be read."""
    try:
        stat = path.stat()
    except OSError as error:
        raise Trouble(f"cannot be read: {error.strerror}", where=str(path)) from None
    if known is not None and known.stamp == (path.name, stat.st_size, stat.st_mtime_ns):
        return known
    with open_recording(path) as file, damage_told(path):
        reader = RecordingReader(file)
        header: Header = reader.header
        before = continued_by(reader)
    return Part(path.name, stat.st_size, stat.st_mtime_ns, header.site, header.started, before)


def _chains(parts: Mapping[str, Part]) -> list[Recording]:
    """Parts joined where one continues another; a file that says it continues itself, or in a ring, begins one."""
    after: dict[str, str] = {}
    for name, part in parts.items():
        if part.before is None:
            continue
        before = plain_name(part.before)
        if before in parts and before != name and parts[before].site == part.site:
            after.setdefault(before, name)
    followers = set(after.values())
    found, seen = [], set()
    for name in [*(one for one in parts if one not in followers), *parts]:
        chain: list[Part] = []
        at: str | None = name
        while at is not None and at not in seen:
            seen.add(at)
            chain.append(parts[at])
            at = after.get(at)
        if chain:
            found.append(Recording(tuple(chain), chain[0].before is not None))
    return sorted(found, key=lambda one: (one.parts[0].started, one.parts[0].file))
