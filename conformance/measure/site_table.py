"""A new table in the text of a site file: comments and order stay, and the old table stays as a comment."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from protocol.trouble import Trouble

_A_LINE = 6


def replaced(text: str, crane: str, place: str, points: Sequence[tuple[int, int]], when: str) -> str:
    """The site file with `points` as the table of `crane` over `place`; `when` is told in the comment.

    Raises Trouble where the file has no such crane or place. Whether the result is a sound site file is for its
    reader to say.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise Trouble(f"the site file cannot be changed: {error}", fix="See 'yardwire site check'") from None
    entry = _entry(document, crane, place)
    old = entry.get("table")
    table = tomlkit.array()
    remarks = _earlier(old)
    if old is not None and old.unwrap() != [list(point) for point in points]:
        remarks.append(f"before {when}: {_written([list(point) for point in old.unwrap()])}")
    for remark in remarks:
        table.add_line(comment=remark)
    for first in range(0, len(points), _A_LINE):
        table.add_line(*([list(point) for point in points[first : first + _A_LINE]]))
    table.add_line(indent="")
    entry["table"] = table
    return str(tomlkit.dumps(document))


def _entry(document: Any, crane: str, place: str) -> Any:
    found = document
    for key in ("nodes", crane, "crane", "places", place):
        if key not in found:
            what = f"there is no [nodes.{crane}.crane.places.{place}] in the site file"
            raise Trouble(what, fix="Name the crane and the track as the site file does")
        found = found[key]
    return found


def _earlier(old: Any) -> list[str]:
    """Remarks that stand in the old table already."""
    if old is None:
        return []
    lines = (line.strip() for line in old.as_string().splitlines())
    return [line.removeprefix("#").strip() for line in lines if line.startswith("#")]


def _written(points: Sequence[Sequence[int]]) -> str:
    return "[" + ", ".join(f"[{reading}, {position}]" for reading, position in points) + "]"
