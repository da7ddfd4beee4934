"""What is exported is what was recorded: read back by DuckDB, pyarrow and pandas; all ways give the same."""

from __future__ import annotations

import json
import sys
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import pandas as pd
import pytest
from pyarrow import parquet

from conformance.recordings.runs.opening import opened
from conformance.recordings.store import days, summary
from conformance.recordings.store.columns import COLUMNS, arrow_schema
from conformance.recordings.store.dataset import portions_of, trend_of_store
from conformance.recordings.trend.gathering import runs_of
from conformance.recordings.trend.series import series_of
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage
from tests.trend.conftest import Yardwire
from tests.trend.weeks import weeks

RUNS = 4


def scattered(number: int, node: str, message: str, body: dict[str, Any]) -> None:
    if message == "train-arrival" and "reading" in body:
        body["reading"] = round(200 + Random(number).gauss(0, 3))


@pytest.fixture(scope="module")
def recorded(one_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recorded")
    weeks(one_run, folder, RUNS, scattered, days=0.6)
    return folder


@pytest.fixture(scope="module")
def store(recorded: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from conformance.recordings.store.export import export
    from conformance.recordings.trend.gathering import all_runs

    folder = tmp_path_factory.mktemp("store")
    done = export(folder, all_runs((recorded,), None, None))
    assert done.runs == RUNS
    return folder


def test_every_message_stands_in_the_folder_of_its_day(
    yardwire: Yardwire, recorded: Path, store: Path
) -> None:
    kept = [message for path in recorded.glob("*.ywrec") for message in messages_of_the_run(path)]
    folders = sorted(path.relative_to(store).as_posix() for path in store.glob("site=*/day=*"))
    assert folders == [f"site=harlow-basin/day=2026-03-0{day}" for day in (2, 3, 4)]
    before = {path: path.read_bytes() for path in store.rglob("*.parquet")}
    assert len(before) == RUNS
    assert yardwire("runs", "export", str(store), str(recorded)).returncode == 0
    assert set(store.rglob("*.parquet")) == set(before), "exported again, nothing is doubled"
    rows = duckdb.sql(
        f"SELECT count(*), count(DISTINCT run) FROM read_parquet('{store}/**/*.parquet')"
    ).fetchall()[0]
    assert rows == (len(kept), RUNS)


def test_the_columns_have_their_types_for_pyarrow_and_for_duckdb(store: Path) -> None:
    path = next(store.rglob("*.parquet"))
    schema = parquet.read_schema(path)
    assert schema.equals(arrow_schema())
    assert schema.metadata[b"yardwire.store"] == b"1"
    assert list(COLUMNS)[:4] == ["time", "run", "run_began", "run_result"]
    types = dict(
        duckdb.sql(f"SELECT column_name, column_type FROM (DESCRIBE FROM read_parquet('{path}'))").fetchall()
    )
    assert types["time"] == "TIMESTAMP WITH TIME ZONE"
    assert (types["boot"], types["uptime"], types["held"], types["body"]) == (
        "INTEGER",
        "BIGINT",
        "BOOLEAN",
        "VARCHAR",
    )
    assert types["broken"] == "VARCHAR[]"


def messages_of_the_run(path: Path) -> list[RecordedMessage]:
    """Those of the one run of a recording; what stands before it belongs to none."""
    run = opened((path.with_name(f"{path.name}#1"),))
    return [item for item in run.items() if isinstance(item, RecordedMessage)]


def test_a_row_says_what_its_message_said(recorded: Path, store: Path) -> None:
    reader = BulkReader()
    path = sorted(recorded.glob("*.ywrec"))[2]
    messages = messages_of_the_run(path)
    table = parquet.ParquetFile(next(store.rglob(f"{path.name}.parquet"))).read().to_pylist()
    assert len(table) == len(messages) > 500
    for number, (row, item) in enumerate(zip(table, messages, strict=True), start=1):
        body = reader.decode(item.topic, item.payload)
        assert body is not None
        assert json.loads(row["body"]) == body
        assert (row["topic"], row["retained"], row["valid"]) == (item.topic, item.retain, True)
        assert (row["boot"], row["seq"], row["reading"]) == (
            body.get("boot"),
            body.get("seq"),
            body.get("reading"),
        )
        assert (row["number"], row["at_us"]) == (number, item.at_us)
        assert (row["time"] - row["run_began"]) / timedelta(microseconds=1) == item.at_us
        assert row["payload"] is None


def test_group_statistics_are_those_of_pandas(store: Path) -> None:
    frame = pd.concat([pd.read_parquet(path) for path in sorted(store.rglob("*.parquet"))])
    said = frame[~frame["retained"]]
    steps = said.dropna(subset=["step_ms"])
    by = ["run", "speaker", "act", "step_ended", "step_way", "of_train"]
    means = steps.groupby(by, observed=True)["step_ms"].mean()
    stored = trend_of_store(store)
    ours = {
        (stored.names[run], *series.key[:1], *series.key[2:]): value
        for series in stored.series
        if series.key.figure == "step"
        for run, value in zip(series.runs, series.values, strict=True)
    }
    assert len(means) == len(ours) > 30
    assert {tuple(map(str, key)): value for key, value in means.items()} == pytest.approx(ours)
    answers = said.groupby(["run", "speaker"], observed=True)["answer_ms"].mean().dropna()
    found = {
        (stored.names[run], series.key.node): value
        for series in stored.series
        if series.key.figure == "answer"
        for run, value in zip(series.runs, series.values, strict=True)
    }
    assert {tuple(map(str, key)): value for key, value in answers.items()} == pytest.approx(found)


def test_recordings_duckdb_and_pyarrow_give_the_same(recorded: Path, store: Path) -> None:
    files = portions_of(store)
    assert [days.figures_of_days(portion) for portion in files] == [
        days.by_pyarrow(portion) for portion in files
    ]
    assert [summary.runs_of_days(portion) for portion in files] == [
        summary.by_pyarrow(portion) for portion in files
    ]
    runs = runs_of((recorded,))
    stored = trend_of_store(store)
    assert stored.names == [run.name for run in runs]
    assert stored.series == series_of(runs)


def test_a_summary_and_a_trend_of_the_store(yardwire: Yardwire, store: Path, recorded: Path) -> None:
    told = yardwire("runs", "summary", str(store))
    assert told.returncode == 0
    assert told.stdout.splitlines()[-1].startswith(f"{RUNS} runs, ")
    rows = json.loads(yardwire("runs", "summary", str(store), "--json").stdout)["runs"]
    assert [row["run"] for row in rows] == [f"run-{number:03}.ywrec#1" for number in range(RUNS)]
    direct, of_store = (
        json.loads(yardwire("trend", str(path), "--json").stdout) for path in (recorded, store)
    )
    assert direct == of_store
    assert yardwire("trend", str(recorded), "--cluster", "local").returncode == 2
    assert "runs export" in yardwire("runs", "summary", str(recorded)).stderr


def test_a_store_without_duckdb_is_read_all_the_same(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_it = trend_of_store(store)
    monkeypatch.setitem(sys.modules, "duckdb", None)
    monkeypatch.setattr(days, "find_spec", lambda name: None)
    assert trend_of_store(store) == with_it


@pytest.mark.slow
@pytest.mark.wire
@pytest.mark.filterwarnings("default")
def test_two_workers_of_a_cluster_give_the_same(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dask.distributed import LocalCluster

    from conformance.recordings.store import dataset

    monkeypatch.setattr(dataset, "PORTION", 1)
    assert len(portions_of(store)) == 3
    here = trend_of_store(store)
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        assert trend_of_store(store, cluster.scheduler_address) == here
        assert list(summary.runs_of_store(store, cluster.scheduler_address)) == list(
            summary.runs_of_store(store)
        )
