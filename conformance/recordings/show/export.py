"""A recording for other tools: JSON Lines, CSV, Parquet. One row a message, written as it is read."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from conformance.files.whole_file import beside
from conformance.recordings.message_summary import MessageSummary
from protocol.foreign_text import one_line
from protocol.recording import RecordedMessage
from protocol.trouble import Trouble

Pair = tuple[RecordedMessage, MessageSummary]
BATCH = 20_000
FOREIGN = ("topic", "node", "speaker", "findings", "words")
"""Columns that hold what somebody else chose."""
FORMULA = ("=", "+", "-", "@")
"""How a cell begins that a spreadsheet takes for a formula."""
COLUMNS = {
    "number": "int64", "at_us": "int64", "time": "timestamp", "topic": "string", "node": "string",
    "speaker": "string", "message": "string", "qos": "int64", "retained": "bool", "dup": "bool",
    "size": "int64", "encoding": "string", "valid": "bool", "broken": "string", "findings": "string", "words": "string",
    "body": "string", "hex": "string",
}  # fmt: skip
"""Name and kind of every column; `broken` are requirements, `findings` what is wrong, a line each, `body` is JSON, ''
where it cannot be read. JSON Lines have the same keys, with `findings` as a list and `body` as an object or null."""


def export_to(path: Path, started: str, pairs: Iterable[Pair]) -> int:
    """Write all to `path`, by its suffix .jsonl, .csv or .parquet. Gives the number of rows. Raises Trouble."""
    writer = _WRITERS.get(path.suffix)
    if writer is None:
        raise Trouble(
            f"{path.suffix or 'no suffix'!r} is not an export format",
            where=str(path),
            fix=f"Use {', '.join(_WRITERS)}",
        )
    with beside(path) as part:
        return writer(part, _rows(started, pairs))


def _rows(started: str, pairs: Iterable[Pair]) -> Iterator[dict[str, Any]]:
    begin = datetime.fromisoformat(started)
    for item, line in pairs:
        yield {
            "number": line.number,
            "at_us": item.at_us,
            "time": begin + timedelta(microseconds=item.at_us),
            "topic": item.topic,
            "node": line.node,
            "speaker": line.speaker,
            "message": line.message,
            "qos": item.qos,
            "retained": item.retain,
            "dup": item.dup,
            "size": line.size,
            "encoding": line.encoding,
            "valid": not line.findings,
            "broken": " ".join(sorted({finding.requirement for finding in line.findings})),
            "findings": "\n".join(map(str, line.findings)),
            "words": line.words,
            "body": json.dumps(line.body, separators=(",", ":")) if line.body else "",
            "hex": item.payload.hex(),
        }


def json_lines(started: str, pairs: Iterable[Pair]) -> Iterator[str]:
    """One line of JSON a message, for a file and for a pipe alike."""
    return map(_json_line, _rows(started, pairs))


def _json_line(row: dict[str, Any]) -> str:
    row["time"] = row["time"].isoformat()
    row["findings"] = row["findings"].splitlines()
    row["body"] = json.loads(row["body"]) if row["body"] else None
    return json.dumps(row, separators=(",", ":"))


def _jsonl(path: Path, rows: Iterator[dict[str, Any]]) -> int:
    number = 0
    with path.open("w", encoding="utf-8") as file:
        for row in rows:
            file.write(_json_line(row) + "\n")
            number += 1
    return number


def _cell(text: str) -> str:
    """Text for a table that is opened in a terminal or a spreadsheet, which are not to obey it."""
    text = one_line(text)
    return f"'{text}" if text.startswith(FORMULA) else text


def _csv(path: Path, rows: Iterator[dict[str, Any]]) -> int:
    number = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, list(COLUMNS))
        table.writeheader()
        for row in rows:
            row["time"] = row["time"].isoformat()
            table.writerow(row | {name: _cell(row[name]) for name in FOREIGN})
            number += 1
    return number


def _parquet(path: Path, rows: Iterator[dict[str, Any]]) -> int:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        fix = "pip install 'yardwire[parquet]', or write .jsonl or .csv"
        raise Trouble("Parquet needs the package pyarrow, which is not installed", fix=fix) from None
    moment = pa.timestamp("us", tz="UTC")
    kinds = {"int64": pa.int64(), "string": pa.string(), "bool": pa.bool_(), "timestamp": moment}
    schema = pa.schema([(name, kinds[kind]) for name, kind in COLUMNS.items()])
    number = 0
    with parquet.ParquetWriter(path, schema) as writer:
        batch: list[dict[str, Any]] = []
        for row in rows:
            batch.append(row)
            if len(batch) == BATCH:
                writer.write_table(pa.Table.from_pylist(batch, schema))
                number += len(batch)
                batch.clear()
        writer.write_table(pa.Table.from_pylist(batch, schema))
    return number + len(batch)


_WRITERS: dict[str, Callable[[Path, Iterator[dict[str, Any]]], int]] = {
    ".jsonl": _jsonl,
    ".csv": _csv,
    ".parquet": _parquet,
}
