"""An earlier report, read back from its JSON file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from protocol.trouble import Trouble

NEEDED = (
    "kit", "protocol", "site", "node", "digest", "firmware", "bench", "slow", "cases", "people",
    "complete", "not_reached",
)  # fmt: skip
AS_NOW = "It has to be a report that --json wrote"


def read_report(path: Path, *, format_: int) -> dict[str, Any]:
    """A report that `yardwire conform --json` wrote. Raises Trouble where it is none."""
    try:
        report: Any = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise Trouble(f"the report cannot be read: {error.strerror}", where=str(path)) from error
    except ValueError as error:
        raise Trouble(f"this is no JSON: {error}", where=str(path), mend=AS_NOW) from error
    missing = [name for name in NEEDED if not isinstance(report, dict) or name not in report]
    if missing:
        raise Trouble(f"this is no report: it has no {missing[0]!r}", where=str(path), mend=AS_NOW)
    if report.get("format") != format_:
        raise Trouble(
            f"its format is {report.get('format')!r}, and this kit reads {format_}",
            where=str(path),
            mend="Make it again with this kit",
        )
    return dict(report)


def require_same(report: Mapping[str, Any], path: Path, **now: object) -> None:
    """Raise Trouble unless the report says of every name in `now` what holds now."""
    for name, value in now.items():
        if report.get(name) != value:
            raise Trouble(
                f"it is of another {name}: {report.get(name)!r}, and now it is {value!r}", where=str(path)
            )
