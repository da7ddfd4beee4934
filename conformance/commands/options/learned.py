"""Earlier runs that a live command learns from: where their folder is named, and how its charts go on."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from conformance.commands.terminal import progress

if TYPE_CHECKING:
    from conformance.recordings.trend.live import LiveTrend
    from protocol.site import Site
    from protocol.topics import Topic


def learned_from(folder: Path, site: Site | None) -> LiveTrend:
    """The charts of the runs in a folder, to be gone on with from now; runs are cut as there. Raises Trouble."""
    from conformance.recordings.runs.cutter import Cutter
    from conformance.recordings.runs.index import index_of
    from conformance.recordings.trend.gathering import runs_of
    from conformance.recordings.trend.live import LiveTrend
    from conformance.recordings.trend.series import marked, series_of

    runs = runs_of((folder,), None, progress.Counting("files and runs learned from"))
    progress.clear()
    cutter = Cutter(index_of(folder).rule, continues=True)

    def begins(topic: Topic, body: Mapping[str, Any], retained: bool) -> bool:
        return cutter.begins(topic, body, retained=retained)

    names = [run.name for run in runs]
    return LiveTrend(names, series_of(runs), site, datetime.now(UTC), begins, marked(runs))
