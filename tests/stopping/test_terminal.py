"""A terminal that is closed ends what was started in it; a command that was told to ignore that goes on."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker
from tests.stopping.moments import wait_for_recorder
from tests.stopping.processes import PATIENCE_S, YARDWIRE, left_running, started
from tests.stopping.test_every_command import require_whole

ROOT = Path(__file__).parents[2]
CONFORM = ("conform", "north", "--site", "site.toml")
FUZZ = ("fuzz", "ferry", "--site", "site.toml")
REAL = ("supervise", "--site", "site.toml", "--yard", "real", "--broker", "BROKER")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("demo", "--out", "out"), "asked"),
        (CONFORM, "May it move?"),
        ((*CONFORM, "--spawn", "--json", "report.json"), "north: "),
        ((*FUZZ, "--corpus", "corpus"), "May it move?"),
        (REAL, "Go on?"),
        (("supervise", "--site", "site.toml", "--yard", "simulated"), "what can be said"),
        (("watch", "--site", "site.toml", "--broker", "BROKER"), "Stop it with Ctrl-C"),
        (("record", "run.ywrec", "--site", "harlow-basin", "--broker", "BROKER"), "0"),
        (("broker", "--port", "0"), "stop it with Ctrl-C"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value),
)
@pytest.mark.usefixtures("site")
def test_a_closed_terminal_ends_it(
    words: tuple[str, ...], says: str, mark: str, tmp_path: Path, broker: Broker
) -> None:
    words = tuple(broker.url if word == "BROKER" else word for word in words)
    with started(mark, *words, on_terminal=True, cwd=tmp_path) as running:
        running.wait_for(says)
        running.hang_up()
    require_whole(tmp_path)
    if "report.json" in words:
        assert (tmp_path / "report.json").exists()


@pytest.mark.parametrize("words", [CONFORM, REAL], ids=" ".join)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.usefixtures("site")
def test_a_question_is_no_obstacle(
    words: tuple[str, ...], number: signal.Signals, mark: str, tmp_path: Path, broker: Broker
) -> None:
    words = tuple(broker.url if word == "BROKER" else word for word in words)
    with started(mark, *words, on_terminal=True, cwd=tmp_path) as running:
        running.wait_for("?")
        running.stopped_by(number)


@pytest.mark.parametrize("ignored", [signal.SIGHUP, signal.SIGINT])
def test_a_signal_that_it_was_told_to_ignore_is_ignored(
    ignored: signal.Signals, mark: str, tmp_path: Path, broker: Broker
) -> None:
    """As `nohup` and the background of a shell do it; SIGTERM still ends it."""
    ignore = f"signal.signal({int(ignored)}, signal.SIG_IGN)"
    start = f"import os, signal, sys; {ignore}; os.execv(sys.argv[1], sys.argv[1:])"
    program = (sys.executable, "-c", start, *YARDWIRE)
    words = ("record", "run.ywrec", "--site", "+", "--broker", broker.url)
    with started(mark, *words, program=program, cwd=tmp_path) as running:
        wait_for_recorder(running, tmp_path / "run.ywrec")
        running.process.send_signal(ignored)
        with pytest.raises(subprocess.TimeoutExpired):
            running.process.wait(1)
        running.stopped_by(signal.SIGTERM)
    require_whole(tmp_path)


@pytest.mark.slow
def test_the_tests_themselves_end_where_sighup_is_ignored(mark: str) -> None:
    """`nohup make test`: what the tests start has the signals as usual again."""
    test = "tests/commands/test_main.py::test_a_signal_lets_the_command_clean_up"
    script = (
        "import signal, sys; signal.signal(signal.SIGHUP, signal.SIG_IGN); import pytest;"
        f"sys.exit(pytest.main([{test!r}, '-q', '-p', 'no:cacheprovider']))"
    )
    with started(mark, program=(sys.executable, "-c", script), cwd=ROOT) as running:
        assert running.process.wait(4 * PATIENCE_S) == 0, running.said
    assert left_running(mark) == []
