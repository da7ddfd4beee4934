"""What there is in the store: its runs, each with what can be counted of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path
from typing import Any

from conformance.recordings.store.dataset import portions_of, worked
from conformance.recordings.store.days import source_of

SUMMARY_SQL = """
SELECT run, epoch_us(run_began) AS began_us, any_value(run_result) AS result, max(at_us) AS lasted_us,
       count(*) AS messages, sum(retained::INT)::BIGINT AS retained, sum((NOT valid)::INT)::BIGINT AS invalid,
       sum(lost)::BIGINT AS lost
FROM {source} WHERE run IS NOT NULL GROUP BY run, run_began ORDER BY run_began, run
"""


@dataclass(frozen=True, slots=True)
class StoredRun:
    """One run; times in us, since 1970 and since its beginning."""

    run: str
    began_us: int
    result: str
    lasted_us: int
    messages: int
    retained: int
    invalid: int
    lost: int

    @property
    def began(self) -> datetime:
        """When it began."""
        return datetime.fromtimestamp(self.began_us / 1e6, UTC)

    def as_json(self) -> dict[str, Any]:
        """Everything, with the time in ISO 8601."""
        return {**asdict(self), "began": self.began.isoformat()}


def runs_of_store(folder: Path, cluster: str | None = None) -> Iterator[list[StoredRun]]:
    """The runs of each day, the earliest first. Raises Trouble."""
    with worked(portions_of(folder), runs_of_days, cluster) as portions:
        for portion in portions:
            for _, day in groupby(portion, key=lambda run: run.began.date()):
                yield list(day)


def runs_of_days(files: Sequence[str]) -> list[StoredRun]:
    """The runs in the files of whole days, by DuckDB or pyarrow. Raises ImportError without either."""
    if find_spec("duckdb") is None:
        return by_pyarrow(files)
    import duckdb

    with duckdb.connect() as base:
        rows = base.execute(SUMMARY_SQL.format(source=source_of(files))).fetchall()
    return [StoredRun(*row) for row in rows]


def by_pyarrow(files: Sequence[str]) -> list[StoredRun]:
    """The same with pyarrow alone."""
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow import parquet

    names = ["run", "run_began", "run_result", "at_us", "retained", "valid", "lost"]
    tables = []
    for file in files:
        table = parquet.ParquetFile(file).read(columns=names)
        columns = [
            table["run"].cast(pa.string()),
            table["run_began"],
            table["run_result"].cast(pa.string()),
            table["at_us"],
        ]
        columns += [
            table["retained"].cast(pa.int64()),
            pc.invert(table["valid"]).cast(pa.int64()),
            table["lost"],
        ]
        tables.append(pa.table(columns, names=names))
    whole = pa.concat_tables(tables)
    rows = (
        whole.filter(pc.is_valid(whole["run"]))
        .group_by(["run", "run_began"])
        .aggregate(
            [
                ("run_result", "min"),
                ("at_us", "max"),
                ("at_us", "count"),
                ("retained", "sum"),
                ("valid", "sum"),
                ("lost", "sum"),
            ]
        )
        .to_pylist()
    )
    found = [
        StoredRun(
            row["run"], round(row["run_began"].timestamp() * 1e6), row["run_result_min"], row["at_us_max"],
            row["at_us_count"], row["retained_sum"], row["valid_sum"], row["lost_sum"],
        )
        for row in rows
    ]  # fmt: skip
    return sorted(found, key=lambda one: (one.began_us, one.run))
