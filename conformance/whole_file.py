"""Files that are whole or not there at all, whatever ends the one who writes them; and the names of those that are not.

A file is written beside its place and moved there when it is complete. What is being written is known here, so that a
command that has to end at once can take the part away and name it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_open: dict[Path, Path | None] = {}
"""What is being written, by the name that the user knows, with the part that stands beside it."""


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Gives the file to write instead; it takes the place of `path` when the block ends well. Raises OSError."""
    part = path.with_name(path.name + ".part")
    _open[path] = part
    try:
        yield part
        part.replace(path)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        del _open[path]


@contextmanager
def growing(path: Path) -> Iterator[None]:
    """Says that `path` is not complete before the block ends; what is in it is kept."""
    _open[path] = None
    try:
        yield
    finally:
        del _open[path]


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all. Raises OSError."""
    with whole(path) as part:
        part.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


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
