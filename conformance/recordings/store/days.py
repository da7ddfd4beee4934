"""The figures of all runs of some days: computed from the store by DuckDB, or by pyarrow where that is missing.

A few days are small enough for any machine, and days do not depend on each other: a cluster does them anywhere.
Sums are of integers, so that every way gives the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from importlib.util import find_spec
from typing import Any

from conformance.recordings.trend.figure import Key
from conformance.recordings.trend.run_figures import AT_REST, value_of

NO_RUN = ("empty", "fragment")
"""Results of what is no whole run with a job."""
LABELS = ("node", "figure", "act", "step", "way", "train")

# 'step', 'reading' and so on are those of `trend.figure`; a chart's runs stand in the order of their beginning.
FIGURES_SQL = """
WITH said AS (
  SELECT run, run_began, speaker, act, step_ended, step_ms, step_way, of_train, answer_ms, gap_ms, lost, reconnected,
         arrived, reading, arm_to_end, ignored, valid
  FROM {source}
  WHERE NOT retained AND speaker IS NOT NULL AND run IS NOT NULL AND run_result NOT IN ('empty', 'fragment')
), steps AS (
  SELECT run, run_began, speaker AS node, 'step' AS figure, act, step_ended AS step, step_way AS way, of_train AS train,
         sum(step_ms)::DOUBLE / count(*) AS value
  FROM said WHERE step_ms IS NOT NULL GROUP BY ALL
), rests AS (
  SELECT run, run_began, speaker AS node, of_train AS train, sum(reading)::DOUBLE / count(*) AS reading,
         sum(arm_to_end)::DOUBLE / count(*) AS arm_to_end, sum(ignored)::DOUBLE / count(*) AS ignored
  FROM said WHERE arrived GROUP BY ALL
), nodes AS (
  SELECT run, run_began, speaker AS node, sum(lost)::DOUBLE AS lost, sum(reconnected::INT)::DOUBLE AS reconnects,
         sum((NOT valid)::INT)::DOUBLE AS invalid, sum(answer_ms)::DOUBLE / count(answer_ms) AS answer,
         max(gap_ms)::DOUBLE AS gap
  FROM said GROUP BY ALL
), figures AS (
  FROM steps
  UNION ALL BY NAME
  SELECT run, run_began, node, train, figure, value
  FROM (UNPIVOT rests ON reading, arm_to_end, ignored INTO NAME figure VALUE value)
  UNION ALL BY NAME
  SELECT run, run_began, node, figure, value
  FROM (UNPIVOT nodes ON lost, reconnects, invalid, answer, gap INTO NAME figure VALUE value)
)
SELECT node, figure, coalesce(act, '') AS act, coalesce(step, '') AS step, coalesce(way, '') AS way,
       coalesce(train, '') AS train,
       list(run ORDER BY run_began, run) AS runs, list(value ORDER BY run_began, run) AS values
FROM figures GROUP BY ALL
"""

RUNS_SQL = """
SELECT run, epoch_us(run_began) AS began_us, any_value(run_mark) AS mark FROM {source}
WHERE run IS NOT NULL AND run_result NOT IN ('empty', 'fragment') GROUP BY run, run_began ORDER BY run_began, run
"""


@dataclass(frozen=True, slots=True)
class Days:
    """The runs of some days: name, beginning (us since 1970, UTC), mark; and the values of each figure."""

    runs: list[tuple[str, int, str]]
    figures: list[tuple[Key, list[str], list[float]]] = field(default_factory=list)


def figures_of_days(files: Sequence[str]) -> Days:
    """The figures of the runs in these files, which are those of whole days. Raises ImportError without pyarrow."""
    return _by_duckdb(files) if find_spec("duckdb") is not None else by_pyarrow(files)


def _by_duckdb(files: Sequence[str]) -> Days:
    import duckdb

    with duckdb.connect() as base:
        base.execute("SET memory_limit = '600MB'")
        base.execute("SET preserve_insertion_order = false")
        source = source_of(files)
        runs = base.execute(RUNS_SQL.format(source=source)).fetchall()
        figures = base.execute(FIGURES_SQL.format(source=source)).fetchall()
    found = [(Key(*row[:6]), row[6], row[7]) for row in figures]
    return Days(
        [(run, began, mark or "") for run, began, mark in runs], sorted(found, key=lambda one: one[0])
    )


def source_of(files: Sequence[str]) -> str:
    """Files as DuckDB reads them."""
    names = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
    return f"read_parquet([{names}], hive_partitioning = false)"


# ------------------------------------------------------------------------------------- without DuckDB
_READ = (
    "run", "run_began", "run_result", "run_mark", "retained", "speaker", "act", "step_ended", "step_ms", "step_way",
    "of_train", "answer_ms", "gap_ms", "lost", "reconnected", "arrived", *AT_REST, "valid",
)  # fmt: skip


def by_pyarrow(files: Sequence[str]) -> Days:
    """The same with pyarrow alone."""
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow import parquet

    tables = [parquet.ParquetFile(file).read(columns=list(_READ)) for file in files]
    table = pa.concat_tables([_plain(one) for one in tables])
    whole = pc.and_(pc.is_valid(table["run"]), pc.invert(pc.is_in(table["run_result"], pa.array(NO_RUN))))
    table = table.filter(whole)
    rows = table.group_by(["run", "run_began"]).aggregate([("run_mark", "max")]).to_pylist()
    runs = sorted(
        ((row["run"], _us(row["run_began"]), row["run_mark_max"] or "") for row in rows),
        key=lambda run: (run[1], run[0]),
    )
    said = table.filter(pc.and_(pc.invert(table["retained"]), pc.is_valid(table["speaker"])))
    place = {run: number for number, (run, _, _) in enumerate(runs)}
    values: dict[Key, list[tuple[int, float]]] = {}
    for key, run, value in _observed(said, pc):
        values.setdefault(key, []).append((place[run], value))
    figures = []
    for key in sorted(values):
        in_order = sorted(values[key])
        figures.append((key, [runs[number][0] for number, _ in in_order], [value for _, value in in_order]))
    return Days(runs, figures)


def _plain(table: Any) -> Any:
    """Dictionaries as the texts that they stand for, and times without their zone, so that tables can be joined."""
    import pyarrow as pa

    columns = [
        column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column
        for column in table.itercolumns()
    ]
    return pa.table(columns, names=table.column_names)


def _us(moment: datetime) -> int:
    return round(moment.timestamp() * 1_000_000)


def _observed(said: Any, pc: Any) -> Iterator[tuple[Key, str, float]]:
    """Every figure of every run."""
    steps = said.filter(pc.is_valid(said["step_ms"]))
    by = ["run", "speaker", "act", "step_ended", "step_way", "of_train"]
    for row in (
        steps.group_by(by)
        .aggregate([("step_ms", "count"), ("step_ms", "sum"), ("step_ms", "max")])
        .to_pylist()
    ):
        labels = [row[name] or "" for name in by[2:]]
        key = Key(row["speaker"], "step", *labels)
        yield key, row["run"], value_of(key, row["step_ms_count"], row["step_ms_sum"], row["step_ms_max"])
    rests = said.filter(said["arrived"]).group_by(["run", "speaker", "of_train"])
    asked = [(name, how) for name in AT_REST for how in ("count", "sum", "max")]
    for row in rests.aggregate(asked).to_pylist():
        for name in AT_REST:
            key = Key(row["speaker"], name, train=row["of_train"] or "")
            yield key, row["run"], value_of(key, *(row[f"{name}_{how}"] for how in ("count", "sum", "max")))
    yield from _of_nodes(said, pc)


_OF_NODES: Mapping[str, str] = {
    "lost": "lost", "reconnects": "reconnected", "invalid": "invalid", "answer": "answer_ms", "gap": "gap_ms",
}  # fmt: skip


def _of_nodes(said: Any, pc: Any) -> Iterator[tuple[Key, str, float]]:
    import pyarrow as pa

    said = said.append_column("invalid", pc.invert(said["valid"]).cast(pa.int64()))
    said = said.set_column(
        said.column_names.index("reconnected"), "reconnected", said["reconnected"].cast(pa.int64())
    )
    asked = [(column, how) for column in _OF_NODES.values() for how in ("count", "sum", "max")]
    for row in said.group_by(["run", "speaker"]).aggregate(asked).to_pylist():
        for figure, column in _OF_NODES.items():
            key, number = Key(row["speaker"], figure), row[f"{column}_count"]
            if number:
                yield key, row["run"], value_of(key, number, row[f"{column}_sum"], row[f"{column}_max"])
