"""Files that a user asked for: seen to be writable before the work begins, and whole or not at all."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from conformance.whole_file import write_whole
from protocol.trouble import Trouble


def require_folder(path: Path | None) -> None:
    """Raise Trouble where a file that is asked for could not be written."""
    if path is not None and not path.resolve().parent.is_dir():
        raise Trouble("there is no such folder", where=str(path.parent), mend="Make it first")


def as_json(report: dict[str, Any]) -> str:
    """The text of a report for programs."""
    return json.dumps(report, indent=1, ensure_ascii=False) + "\n"


def write(path: Path, text: str) -> None:
    """Write a report whole or not at all. Raises Trouble."""
    try:
        write_whole(path, text)
    except OSError as error:
        raise Trouble(f"the report cannot be written: {error.strerror}", where=str(path)) from error
