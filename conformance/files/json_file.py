"""JSON documents: reports as text, and files that somebody else may have written, read within bounds."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from protocol.trouble import Trouble

MOST_BYTES = 16 << 20
"""Bytes of a document; a report of the whole suite has a twentieth of it."""


def as_json(report: dict[str, Any]) -> str:
    """The text of a report for programs."""
    return json.dumps(report, indent=1, ensure_ascii=False) + "\n"


def read_json(path: Path, what: str, fix: str) -> Any:
    """The value in a file; `what` names it in messages. Raises Trouble for all that is none."""
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise Trouble(f"the {what} cannot be read: {error.strerror}", where=str(path), fix=fix) from error
    if len(content) > MOST_BYTES:
        told = f"byte {MOST_BYTES}: longer than a {what} may be ({MOST_BYTES:,} bytes)"
        raise Trouble(told, where=str(path), fix=fix)
    try:
        return json.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        told = f"byte {error.start}: not UTF-8"
    except json.JSONDecodeError as error:
        byte = len(error.doc[: error.pos].encode("utf-8"))
        told = f"byte {byte}: not JSON: {error.msg}"
    except RecursionError:
        told = "not such a file: it is nested deeper than can be read"
    except ValueError:
        told = "not such a file: it has a number of too many digits"
    raise Trouble(told, where=str(path), fix=fix)
