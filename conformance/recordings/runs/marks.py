"""What people say of runs: a TOML file beside the recordings, read here, written without losing a comment."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from conformance.files.whole_file import write
from conformance.recordings.runs.name import RunName, run_named
from conformance.recordings.runs.rule import CutRule, cut_rule
from protocol.foreign_text import one_line
from protocol.trouble import Trouble

MARKS = "runs.toml"
MOST_BYTES = 4 << 20
GOOD, BAD = "good", "bad"
WORDS = ("mark", "bookmark", "note")
HEADING = """\
# What was said of runs ('yardwire runs mark'), and how the recordings here are cut. Edit it: comments stay.
# A run may have figures of its own, such as temperature = 21.5: 'yardwire diff' looks whether failures go along.
"""


@dataclass(frozen=True, slots=True)
class Mark:
    """What is said of one run. `mark` is 'good', 'bad' or ''; `figures` are numbers or words under other names."""

    mark: str = ""
    bookmark: str = ""
    note: str = ""
    figures: Mapping[str, float | str] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """What is said, without what is not."""
        said = {"mark": self.mark, "bookmark": self.bookmark, "note": self.note}
        return {name: text for name, text in said.items() if text} | dict(self.figures)


@dataclass(frozen=True, slots=True)
class Marks:
    """All marks of a folder; `rule` is how it is cut, None where that is not said."""

    rule: CutRule | None = None
    of_run: Mapping[RunName, Mark] = field(default_factory=dict)

    def of(self, run: RunName) -> Mark:
        """What is said of a run."""
        return self.of_run.get(run, Mark())


def read_marks(folder: Path) -> Marks:
    """The marks of a folder. Raises Trouble where the file cannot be understood."""
    path = folder / MARKS
    if not path.exists():
        return Marks()
    data = _parsed(path)
    rule = data.pop("cut", None)
    if rule is not None and not isinstance(rule, str):
        raise Trouble("'cut' is no text", where=str(path), fix='Write it as cut = "supervisor"')
    found: dict[RunName, Mark] = {}
    for key, row in data.items():
        named = run_named(Path(key))
        if named is None or not isinstance(row, dict):
            fix = 'Write ["monday.ywrec#7"] and below it mark = "good"'
            raise Trouble(f"{one_line(key)[:80]!r} is no run", where=str(path), fix=fix)
        found[named[1]] = _mark(row, f"{path}, {one_line(key)}")
    return Marks(cut_rule(rule, str(path)) if rule is not None else None, found)


def _parsed(path: Path) -> dict[str, Any]:
    try:
        content = path.read_bytes()
        if len(content) > MOST_BYTES:
            raise Trouble(f"larger than {MOST_BYTES >> 20} MiB", where=str(path), fix="Take notes out of it")
        return tomllib.loads(content.decode("utf-8"))
    except OSError as error:
        raise Trouble(f"cannot be read: {error.strerror}", where=str(path)) from None
    except (ValueError, RecursionError) as error:
        raise Trouble(f"invalid TOML: {one_line(str(error))}", where=str(path), fix="Fix that line") from None


def _mark(row: Mapping[str, Any], where: str) -> Mark:
    figures: dict[str, float | str] = {}
    for name, value in row.items():
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise Trouble(f"{one_line(name)[:40]!r} is neither a text nor a number", where=where)
        figures[name] = one_line(value) if isinstance(value, str) else value
    words = {name: str(figures.pop(name, "")) for name in WORDS}
    if words["mark"] not in ("", GOOD, BAD):
        raise Trouble(f"mark {words['mark'][:40]!r}", where=where, fix="A mark is 'good' or 'bad'")
    return Mark(words["mark"], words["bookmark"], words["note"], figures)


def write_mark(folder: Path, run: RunName, changes: Mapping[str, float | str], rule: CutRule) -> None:
    """Say something of a run; an empty text takes a word back. The rule is kept too, for names rest on it.

    Raises Trouble.
    """
    import tomlkit

    document = _document(folder)
    document.setdefault("cut", str(rule))
    row = document.get(str(run))
    if row is None:
        row = document[str(run)] = tomlkit.table()
    for name, value in changes.items():
        if value == "":
            row.pop(name, None)
        else:
            row[name] = value
    if not row:
        del document[str(run)]
    _put(folder, document)


def write_rule(folder: Path, rule: CutRule) -> None:
    """Keep how the folder is cut. Raises Trouble."""
    document = _document(folder)
    document["cut"] = str(rule)
    _put(folder, document)


def _document(folder: Path) -> Any:
    import tomlkit

    path = folder / MARKS
    read_marks(folder)  # What cannot be understood is not written over.
    if path.exists():
        return tomlkit.parse(path.read_text(encoding="utf-8"))
    document = tomlkit.document()
    for line in HEADING.splitlines():
        document.add(tomlkit.comment(line.removeprefix("# ")))
    return document


def _put(folder: Path, document: Any) -> None:
    import tomlkit

    text = tomlkit.dumps(document)
    tomllib.loads(text)
    write(folder / MARKS, text)
