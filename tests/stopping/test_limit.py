"""What cannot be put away in time is broken off and named; and a signal is never lost on its way."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest

from tests.sample import sampled
from tests.stopping.processes import started

ENDINGS = (sys.executable, "-m", "tests.stopping.endings")


SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
ENDS = {
    "cleans_up_for_ever": "broken off",
    "waits_for_a_thread": "broken off",
    "leaves_a_thread_behind": "stopped by Ctrl-C",
    "loses_it_in_a_destructor": "stopped by Ctrl-C",
    "makes_another_error_of_it": "Error: ",
    "wraps_it_as_an_import_does": "stopped by Ctrl-C",
    "ignores_it_in_a_loop_of_its_own": "broken off",
}
GRID = [(ending, number) for ending in ENDS for number in SIGNALS]
SAMPLE = [
    (ending, number)
    for ending, number in GRID
    if number == signal.SIGINT or ending in ("cleans_up_for_ever", "ignores_it_in_a_loop_of_its_own")
]


@pytest.mark.parametrize("pair", sampled(GRID, SAMPLE))
def test_it_ends_in_time(pair: tuple[str, signal.Signals], mark: str) -> None:
    ending, number = pair
    told = ENDS[ending]
    with started(mark, ending, program=ENDINGS) as running:
        running.wait_for("waiting")
        said = running.stopped_by(number)
    assert ("Error: " in said) == (told == "Error: ")
    assert told in said or (number != signal.SIGINT and told == "stopped by Ctrl-C")


def test_a_file_that_is_broken_off_is_named_and_taken_away(mark: str, tmp_path: Path) -> None:
    with started(mark, "writes_for_ever", program=ENDINGS, cwd=tmp_path) as running:
        running.wait_for("waiting")
        said = running.stopped_by(signal.SIGTERM)
    assert "report.json was not written" in said
    assert "tape.bin is not complete" in said
    assert [path.name for path in tmp_path.iterdir()] == ["tape.bin"]
