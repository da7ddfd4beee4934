"""Files that a user asked for: whole or not at all, whatever ends the work (an error, Ctrl-C, a full disk)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TextIO

from protocol.trouble import Trouble

PART = ".part"
_open: dict[Path, Path | None] = {}
"""What is being written, by the name that the user knows, with the part that stands beside it, if there is one.

A command that has to end at once takes the parts away and names the files (`break_off`).
"""


def require_folder(path: Path | None) -> None:
    """Raise Trouble where a file that is asked for could not be written: before the work, not behind it."""
    if path is None:
        return
    if not path.resolve().parent.is_dir():
        raise Trouble("there is no such folder", where=str(path.parent), fix="Make it first")
    if path.is_dir():
        raise Trouble("this is a folder", where=str(path), fix="Name a file in it")


@contextmanager
def beside(path: Path) -> Iterator[Path]:
    """A path in the same folder to write to; what is written there becomes `path` when all went well.

    On any exception it is removed, and what stood at `path` stays. What is no plain file (a pipe, a device) is
    written to as it is. Raises Trouble where the disk does not take it.
    """
    require_folder(path)
    target = path.resolve()
    plain = target.is_file() or not target.exists()
    part = target.with_name(target.name + PART) if plain else target
    _open[path] = part if plain else None
    try:
        yield part
        if plain:
            part.replace(target)
    except BaseException as ending:
        if plain:
            with suppress(OSError):
                part.unlink(missing_ok=True)
        if isinstance(ending, OSError):
            raise Trouble(f"cannot be written: {ending.strerror or ending}", where=str(path)) from ending
        raise
    finally:
        del _open[path]


@contextmanager
def growing(path: Path) -> Iterator[None]:
    """Says that `path` is not complete before the block ends; what is in it is kept."""
    _open[path] = None
    try:
        yield
    finally:
        del _open[path]


def break_off() -> list[str]:
    """Take away every part that is being written, and say which files that leaves incomplete or unwritten."""
    told = []
    for path, part in list(_open.items()):
        if part is None:
            told.append(f"{path} is not complete")
        else:
            with suppress(OSError):
                part.unlink(missing_ok=True)
            told.append(f"{path} was not written")
    return told


@contextmanager
def whole_file(path: Path, *, newline: str | None = None) -> Iterator[TextIO]:
    """A file of UTF-8 text to write to; see `beside`. Half of a surrogate pair is written as '?'."""
    with beside(path) as part, part.open("w", encoding="utf-8", errors="replace", newline=newline) as file:
        yield file


def write(path: Path, text: str) -> None:
    """Write a text; see `beside`. Raises Trouble."""
    with whole_file(path) as file:
        file.write(text)


def write_bytes(path: Path, content: bytes) -> None:
    """Write bytes; see `beside`. Raises Trouble."""
    with beside(path) as part:
        part.write_bytes(content)
