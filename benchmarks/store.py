"""The store: one simulated day shifted many times, summed up and judged in little memory, against SQL by hand."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import parquet

from benchmarks.row import Row
from benchmarks.spent import Command
from benchmarks.traffic_source import make
from conformance.recordings.runs.rule import cut_rule
from conformance.recordings.store.columns import arrow_schema
from conformance.recordings.store.days import FIGURES_SQL, RUNS_SQL, source_of
from conformance.recordings.store.export import export
from conformance.recordings.trend.gathering import all_runs

MESSAGES = 10_000_000
OF_A_DAY = 400_000
"""Messages that are simulated and exported; the other days are copies with other dates and names of runs."""
RULE = "jobs=siding admit"
"""The simulated runs follow each other without a new supervisor."""
MEMORY_GB = 1.0


def rows(wanted: int = MESSAGES) -> Iterator[Row]:
    """All rows."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        began = time.perf_counter()
        messages = shifted(folder / "store", simulated_day(folder), wanted)
        made = time.perf_counter() - began
        yield from measured(folder / "store", messages, f"{made:.0f} s to make them")


def simulated_day(folder: Path) -> Path:
    """A recording of one day, exported; gives its file."""
    (folder / "recordings").mkdir()
    make(folder / "recordings" / "day.ywrec", OF_A_DAY, seed=1)
    export(folder / "day", all_runs((folder / "recordings",), cut_rule(RULE, "benchmark"), None))
    return next((folder / "day").rglob("*.parquet"))


def shifted(store: Path, day: Path, wanted: int) -> int:
    """Days until there are so many messages; gives how many there are."""
    table = parquet.ParquetFile(day).read()
    messages = number = 0
    while messages < wanted:
        later = pa.scalar(timedelta(days=number), pa.duration("us"))
        one = table
        for name in ("time", "run_began"):
            place = one.column_names.index(name)
            one = one.set_column(place, one.schema.field(name), pc.add(one[name], later))
        place = one.column_names.index("run")
        runs = pc.binary_join_element_wise(pa.scalar(f"{number:05}-"), one["run"].cast(pa.string()), "")
        one = one.set_column(
            place, one.schema.field("run"), runs.dictionary_encode().cast(one.schema.field("run").type)
        )
        began = one["run_began"][0].as_py()
        path = store / "site=harlow-basin" / f"day={began:%Y-%m-%d}"
        path.mkdir(parents=True)
        parquet.write_table(one.cast(arrow_schema()), path / f"{number:05}.parquet", compression="zstd")
        messages += one.num_rows
        number += 1
    return messages


def measured(store: Path, messages: int, figures: str) -> Iterator[Row]:
    """Time and memory of the commands against DuckDB with the same SQL at once."""
    hand = by_hand(store)
    trend = Command("-m", "conformance.commands.main", "trend", str(store)).wait()
    summary = Command("-m", "conformance.commands.main", "runs", "summary", str(store)).wait()
    for told in (trend, summary):
        if told.code not in (0, 1):
            raise AssertionError(f"exit {told.code}")
    what = f"{messages / 1e6:.0f} million messages"
    yield Row(
        f"trend of {what} / the same SQL by hand, time", trend.lasted / hand, 1.2,
        f"{trend.lasted:.1f} s / {hand:.1f} s; {figures}",
    )  # fmt: skip
    yield Row(
        f"trend of {what}, memory in GB", trend.kilobytes / 1e6, MEMORY_GB, f"{trend.kilobytes / 1e3:.0f} MB"
    )
    yield Row(
        f"summary of {what}, memory in GB", summary.kilobytes / 1e6, MEMORY_GB,
        f"{summary.kilobytes / 1e3:.0f} MB, {summary.lasted:.1f} s",
    )  # fmt: skip


def by_hand(store: Path) -> float:
    """Seconds for the SQL of all days, put to DuckDB at once in a process of its own, its rows fetched."""
    code = f"import benchmarks.store as store, pathlib; store.asked(pathlib.Path({str(store)!r}))"
    spent = Command("-c", code).wait()
    if spent.code:
        raise AssertionError("the SQL by hand failed")
    return spent.lasted


def asked(store: Path) -> list[Any]:
    """The rows of both questions."""
    with duckdb.connect() as base:
        source = source_of([str(path) for path in sorted(store.rglob("*.parquet"))])
        return [base.execute(sql.format(source=source)).fetchall() for sql in (RUNS_SQL, FIGURES_SQL)]
