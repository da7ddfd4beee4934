"""Writes the tables of docs/protocol/serial.md again: kinds of frame, and the fields of `here` and `bus`."""

from __future__ import annotations

import re
from collections.abc import Iterator

from conformance.publish.site import sources
from protocol.specification import Specification, specification

PAGE = "docs/protocol/serial.md"


def tables(spec: Specification) -> tuple[str, str]:
    """Both tables, as Markdown."""
    return "\n".join(_kinds(spec)), "\n".join(_fields(spec))


def _kinds(spec: Specification) -> Iterator[str]:
    yield "| kind byte | frame | from | payload | what it is |"
    yield "|---|---|---|---|---|"
    for kind in spec.line_kinds.values():
        payload = f"`{kind.carries}`" if kind.carries else ", ".join(kind.fields)
        yield f"| `{kind.number:#04x}` | `{kind.name}` | {kind.sender} | {payload} | {kind.meaning} |"


def _fields(spec: Specification) -> Iterator[str]:
    yield "| key | field | value | what it is |"
    yield "|---|---|---|---|"
    for one in spec.line_fields.values():
        words = ", ".join(f"{number} `{word}`" for number, word in enumerate(one.words))
        value = words or f"as `{one.kind}` of every message"
        yield f"| {one.key} | `{one.name}` | {value} | {one.meaning} |"
        for kind, meanings in one.of.items():
            for word, meaning in meanings.items():
                yield f"| | | `{word}` in `{kind}` | {meaning} |"


def renewed(text: str, spec: Specification) -> str:
    """The page with its tables as the specification has them."""
    for table in tables(spec):
        head = re.escape(table.partition("\n")[0])
        text = re.sub(rf"{head}\n(\|.*\n)+", lambda _, table=table: f"{table}\n", text)  # type: ignore[misc]
    return text


if __name__ == "__main__":
    page = sources.home() / PAGE
    page.write_text(renewed(page.read_text("utf-8"), specification()), encoding="utf-8")
