"""Writes runs into the store: `site=SITE/day=YYYY-MM-DD/FILE.parquet`, a run whole in the day on which it began.

Each recording has its own file in each day, so that exporting it again writes it over and doubles nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from conformance.files.whole_file import beside
from conformance.recordings.runs.index import RunIndex
from conformance.recordings.runs.run import Run
from conformance.recordings.store.columns import arrow_schema
from conformance.recordings.store.rows import Row, rows_of
from protocol.trouble import Trouble

BATCH = 20_000
"""Rows that are held at once."""


@dataclass(slots=True)
class Exported:
    """What was written."""

    runs: int = 0
    messages: int = 0
    files: int = 0


def export(
    folder: Path, chosen: Iterable[tuple[RunIndex, Run]], tick: Callable[[str], object] | None = None
) -> Exported:
    """Write all messages of these runs below `folder`. Raises Trouble."""
    parquet = _pyarrow()
    done = Exported()
    in_order = sorted(
        chosen, key=lambda pair: (str(pair[0].folder), pair[1].site, pair[1].began[:10], pair[1].name)
    )
    groups = groupby(
        in_order, key=lambda pair: (pair[0].folder, pair[1].site, pair[1].began[:10], pair[1].name.file)
    )
    several = len({index.folder for index, _ in in_order}) > 1
    for (source, site, day, file), runs in groups:
        path = (
            folder
            / f"site={_safe(site)}"
            / f"day={day}"
            / f"{_stem(source if several else None, file)}.parquet"
        )
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside(path) as part, parquet.ParquetWriter(part, arrow_schema(), compression="zstd") as writer:
            for index, run in runs:
                name = str(index.folder / str(run.name)) if several else str(run.name)
                if tick is not None:
                    tick(name)
                rows = rows_of(run, index.source(run), index.mark(run).mark, name)
                done.messages += _write(writer, rows)
                done.runs += 1
        done.files += 1
    if not done.runs:
        raise Trouble("there is no run in it", fix="Name recordings, or a folder of them")
    return done


def _write(writer: Any, rows: Iterator[Row]) -> int:
    import pyarrow as pa

    schema = arrow_schema()
    number = 0
    batch: list[Row] = []
    for row in rows:
        batch.append(row)
        if len(batch) == BATCH:
            number += len(batch)
            writer.write_table(pa.Table.from_pylist(batch, schema))
            batch = []
    if batch:
        writer.write_table(pa.Table.from_pylist(batch, schema))
    return number + len(batch)


def _pyarrow() -> Any:
    try:
        from pyarrow import parquet
    except ImportError:
        fix = "pip install 'yardwire[store]'"
        raise Trouble("Parquet needs the package pyarrow, which is not installed", fix=fix) from None
    return parquet


def _safe(name: str) -> str:
    """What a folder may be called."""
    return re.sub("[^A-Za-z0-9._-]", "_", name) or "_"


def _stem(folder: Path | None, file: str) -> str:
    """One name for each file of each folder."""
    return _safe(file) if folder is None else f"{_safe(str(folder))}-{_safe(file)}"
