"""The store as a whole: its days, and what is computed of all of them, here or on a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from conformance.recordings.store.days import Days, figures_of_days
from conformance.recordings.trend.figure import Key
from conformance.recordings.trend.series import Marked, Series, in_order
from protocol.trouble import Trouble

Of = TypeVar("Of")
PORTION = 48 << 20
"""Bytes of files that are worked on at once: about a million messages."""
LOCAL = "local"
"""For an address: processes on this machine."""
LOCAL_WORKERS = 2
AHEAD = 4
"""Portions that are under way at once on a cluster, for each of its workers."""


def is_store(folder: Path) -> bool:
    """Whether a folder has what `runs export` writes."""
    return folder.is_dir() and next(folder.glob("site=*/day=*/*.parquet"), None) is not None


def portions_of(folder: Path) -> list[list[str]]:
    """The files of whole days, the earliest first, as many days at once as a small memory takes.

    Raises Trouble where there is none.
    """
    days: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("site=*/day=*/*.parquet")):
        days.setdefault(path.parent.name, []).append(path)
    if not days:
        raise Trouble(
            "nothing was exported here", where=str(folder), fix="Make it with: yardwire runs export"
        )
    portions: list[list[str]] = []
    room = 0
    for day in sorted(days):
        size = sum(path.stat().st_size for path in days[day])
        if not portions or size > room:
            portions.append([])
            room = PORTION
        room -= size
        portions[-1] += map(str, days[day])
    return portions


@dataclass(slots=True)
class StoredTrend:
    """Names of all runs in the order of their beginning, their figures as series, and what is said of them."""

    names: list[str]
    series: list[Series]
    marked: Marked


def trend_of_store(folder: Path, cluster: str | None = None) -> StoredTrend:
    """The figures of all whole runs in the store. Raises Trouble."""
    with worked(portions_of(folder), figures_of_days, cluster) as days:
        return _joined(days)


def _joined(days: Iterable[Days]) -> StoredTrend:
    names: list[str] = []
    good: set[int] = set()
    bad: set[int] = set()
    found: dict[Key, Series] = {}
    for day in days:
        place = {}
        for number, (run, began_us, mark) in enumerate(day.runs, start=len(names)):
            place[run] = (number, began_us / 1e6)
            (good if mark == "good" else bad if mark == "bad" else set()).add(number)
        names += [run for run, _, _ in day.runs]
        for key, runs, values in day.figures:
            series = found.get(key)
            if series is None:
                series = found[key] = Series(key)
            series.runs.extend([place[run][0] for run in runs])
            series.at.extend([place[run][1] for run in runs])
            series.values.extend(values)
    return StoredTrend(names, in_order(found.values()), Marked(frozenset(good), frozenset(bad)))


@contextmanager
def worked(
    portions: Sequence[list[str]], work: Callable[[Sequence[str]], Of], cluster: str | None
) -> Iterator[Iterator[Of]]:
    """`work` done for every portion, in their order: here, or with an address on a Dask cluster.

    Raises Trouble where there is no way to the cluster, or no package for it.
    """
    if cluster is None:
        yield map(_told_missing(work), portions)
        return
    with _client(cluster) as client:
        yield _on(client, portions, work)


def _told_missing(work: Callable[[Sequence[str]], Of]) -> Callable[[Sequence[str]], Of]:
    def told(files: Sequence[str]) -> Of:
        try:
            return work(files)
        except ImportError:
            fix = "pip install 'yardwire[store]'"
            raise Trouble("the store needs the package duckdb or pyarrow", fix=fix) from None

    return told


def _on(client: Any, portions: Sequence[list[str]], work: Callable[[Sequence[str]], Of]) -> Iterator[Of]:
    """Results in order; never more of them under way than the workers need, so that memory stays small."""
    most = AHEAD * max(1, len(client.scheduler_info()["workers"]))
    waiting = [client.submit(work, portion, pure=False) for portion in portions[:most]]
    for number in range(len(portions)):
        done = waiting.pop(0)
        if number + most < len(portions):
            waiting.append(client.submit(work, portions[number + most], pure=False))
        yield done.result()


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from dask.distributed import Client, LocalCluster
    except ImportError:
        fix = "pip install 'yardwire[cluster]'"
        raise Trouble("a cluster needs the packages dask and distributed", fix=fix) from None
    if address == LOCAL:
        with (
            LocalCluster(
                n_workers=LOCAL_WORKERS, threads_per_worker=1, processes=True, dashboard_address=None
            ) as own,
            Client(own) as client,
        ):
            yield client
        return
    try:
        client = Client(address, timeout=10)
    except (OSError, ValueError, TimeoutError) as error:
        fix = "Start one with: dask scheduler; or write --cluster local"
        raise Trouble(f"no scheduler answers: {error}", where=address, fix=fix) from None
    with client:
        yield client


__all__ = ["LOCAL", "StoredTrend", "is_store", "portions_of", "trend_of_store", "worked"]
