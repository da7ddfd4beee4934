"""What the tests of runs share: commands run in this process, and how a rotated recording is made."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from conformance.commands.main import cli
from conformance.recordings.record.writer import Rotation
from conformance.recordings.runs.index import RunIndex
from tests.recordings.long_recordings import STARTED

SEEDS = (1, 2, 3)
PARTS = Rotation(60_000)


def ran(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], standalone_mode=False)


def told(*arguments: str | Path) -> Any:
    return json.loads(ran("runs", *arguments, "--json").stdout)["runs"]


def began(index: RunIndex) -> list[int]:
    start = datetime.fromisoformat(STARTED)
    return [
        round((datetime.fromisoformat(run.began) - start) / timedelta(microseconds=1)) for run in index.runs
    ]
