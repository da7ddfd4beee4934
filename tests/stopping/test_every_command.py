"""Ctrl-C and `kill` end every command within two seconds, in every phase, and nothing of it goes on running."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import conformance
from conformance.bench.brokers.broker import Broker
from protocol.recording import Header, RecordedEnd, RecordedMessage, RecordingReader, RecordingWriter
from tests.sample import sampled
from tests.stopping.processes import YARDWIRE, started

INT, TERM, HUP = signal.SIGINT, signal.SIGTERM, signal.SIGHUP
STUBBORN = """
import signal, sys, time
for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.SIG_IGN)
time.sleep(600)
"""


class Place:
    """What a command is given to work with."""

    def __init__(self, folder: Path, site: str, url: str, silent: str) -> None:
        self.folder, self.site, self.url, self.silent = folder, site, url, silent

    def path(self, name: str) -> str:
        return str(self.folder / name)

    def recording(self, messages: int, every_us: int = 1000) -> str:
        path = self.folder / f"{messages}.ywrec"
        with path.open("wb") as file:
            writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "made", "0"))
            for number in range(messages):
                body = b"\xa3\x00\x01\x01%b\x02\x19\x10\x00" % bytes([number % 24])
                topic = f"yw1/harlow-basin/north/{('fault', 'crane-status')[number % 2]}"
                writer.message(RecordedMessage(number * every_us, topic, body, 1, False, False))
            writer.end(messages * every_us)
        return str(path)

    def stubborn(self) -> str:
        path = self.folder / "stubborn.py"
        path.write_text(STUBBORN, encoding="utf-8")
        return f"{sys.executable} {path} {{broker}} {{brief}}"


@pytest.fixture
def place(tmp_path: Path, site: str, broker: Broker, silent: str) -> Place:
    return Place(tmp_path, site, broker.url, silent)


Words = Callable[[Place], list[str]]
PHASES: dict[str, tuple[Words, str, signal.Signals]] = {
    "demo, the cycle": (lambda p: ["demo", "--out", p.path("out")], "asked", INT),
    "demo, with mosquitto": (lambda p: ["demo", "--choice", "auto", "--out", p.path("out")], "asked", TERM),
    "validate, listening": (lambda p: ["validate", "--broker", p.url, "--seconds", "300"], "", INT),
    "validate, waiting for a broker": (lambda p: ["validate", "--broker", p.silent, "--seconds", "300"], "", TERM),
    "conform, waiting for its node": (
        lambda p: ["conform", "north", "--site", p.site, "--yes"], "Let north connect", INT
    ),
    "conform, judging": (
        lambda p: ["conform", "north", "--site", p.site, "--spawn", "--json", p.path("r.json")],
        "Let north connect", TERM,
    ),
    "conform, with a program that ignores SIGTERM": (
        lambda p: ["conform", "yard", "--site", p.site, "--program", p.stubborn()], "Let yard connect", INT
    ),
    "conform, with the reference supervisor": (
        lambda p: ["conform", "yard", "--site", p.site, "--spawn"], "Let yard connect", HUP
    ),
    "conform, waiting for a broker": (
        lambda p: ["conform", "north", "--site", p.site, "--yes", "--broker", p.silent], "", INT
    ),
    "node": (lambda p: ["node", "north", "--site", p.site, "--broker", p.url], "stop it with Ctrl-C", TERM),
    "node, waiting for a broker": (lambda p: ["node", "north", "--site", p.site, "--broker", p.silent], "", INT),
    "fuzz, waiting for its node": (
        lambda p: ["fuzz", "ferry", "--site", p.site, "--yes", "--corpus", p.path("corpus")], "Let ferry connect", TERM
    ),
    "fuzz, playing": (
        lambda p: ["fuzz", "ferry", "--site", p.site, "--spawn", "--corpus", p.path("corpus"), "--json", p.path("f")],
        "the first batch goes out", INT,
    ),
    "supervise, on virtual time": (lambda p: ["supervise", "04-one-train", "--site", p.site], "", INT),
    "supervise, a scenario on a broker": (
        lambda p: ["supervise", "04-one-train", "--site", p.site, "--yard", "simulated"], "stop it with Ctrl-C", TERM
    ),
    "supervise, at the prompt": (
        lambda p: ["supervise", "--site", p.site, "--yard", "simulated"], "what can be said", INT
    ),
    "supervise, with the page": (
        lambda p: ["supervise", "--site", p.site, "--yard", "simulated", "--page"], "what can be said", TERM
    ),
    "supervise, waiting for a broker": (
        lambda p: ["supervise", "--site", p.site, "--yard", "real", "--yes", "--broker", p.silent], "", INT
    ),
    "record": (lambda p: ["record", p.path("run.ywrec"), "--site", "+", "--broker", p.url], "", TERM),
    "record, waiting for a broker": (
        lambda p: ["record", p.path("run.ywrec"), "--site", "+", "--broker", p.silent], "", INT
    ),
    "watch": (lambda p: ["watch", "--site", p.site, "--broker", p.url], "Stop it with Ctrl-C", INT),
    "watch, waiting for a broker": (lambda p: ["watch", "--site", p.site, "--broker", p.silent], "", TERM),
    "show, a long recording": (lambda p: ["show", p.recording(100_000), "--stats"], "", INT),
    "show, exporting": (
        lambda p: ["show", p.recording(100_000), "--export", p.path("run.jsonl")], "", TERM
    ),
    "diff, long recordings": (lambda p: ["diff", p.recording(60_000), p.recording(60_001)], "", INT),
    "replay": (
        lambda p: ["replay", p.recording(500, 1_000_000), "--broker", p.url], "who is there", TERM
    ),
    "replay, waiting for a broker": (lambda p: ["replay", p.recording(5), "--broker", p.silent], "", INT),
    "broker, mosquitto": (lambda p: ["broker", "--port", "0"], "stop it with Ctrl-C", INT),
    "broker, embedded": (lambda p: ["broker", "--port", "0", "--choice", "embedded"], "stop it with Ctrl-C", HUP),
    "publish": (lambda p: ["publish", p.path("out")], "", INT),
}  # fmt: skip
"""What runs, what it says when it is in the phase that is meant ('' where it says nothing: a while), and the signal."""
A_WHILE_S = 1.0


@pytest.mark.parametrize("phase", PHASES)
def test_a_signal_ends_it(phase: str, place: Place, mark: str) -> None:
    words, says, number = PHASES[phase]
    with started(mark, *words(place), cwd=place.folder) as running:
        if says:
            running.wait_for(says)
        else:
            time.sleep(A_WHILE_S)
        if running.process.poll() is not None:
            pytest.fail(f"it was over before it was stopped: {running.process.returncode}")
        running.stopped_by(number)
    require_whole(place.folder)


def require_whole(folder: Path) -> None:
    """What was being written is whole, or not there."""
    assert list(folder.rglob("*.part")) == []
    for recording in folder.rglob("*.ywrec"):
        with recording.open("rb") as file:
            reader = RecordingReader(file)
            items = list(reader)
        assert reader.cut_at is None
        assert isinstance(items[-1], RecordedEnd)


ENTRY = Path(conformance.__file__).parent / "commands" / "entry.py"
FIRST_LINE = f'entry.py", line {ENTRY.read_text(encoding="utf-8").splitlines().index("import signal") + 1},'
MOMENTS_S = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.8)


@pytest.mark.parametrize("moment_s", sampled(MOMENTS_S, (0.0, 0.1, 0.4)))
@pytest.mark.parametrize("command", ["demo", "conform", "node", "publish"])
def test_at_any_moment_of_its_start(command: str, moment_s: float, place: Place, mark: str) -> None:
    words = {
        "demo": ["demo", "--choice", "auto", "--out", place.path("out")],
        "conform": ["conform", "north", "--site", place.site, "--spawn"],
        "node": ["node", "north", "--site", place.site, "--broker", place.url],
        "publish": ["publish", place.path("out")],
    }[command]
    with started(mark, *words, cwd=place.folder) as running:
        time.sleep(moment_s)
        running.process.send_signal(INT)
        began = time.monotonic()
        running.process.wait(20)
        took_s = time.monotonic() - began
        said = running.all_said()
    # Before Python has come to our first line, which imports `signal`, it ends by the signal or an error of its own.
    ours = [line for line in said.splitlines() if "conformance" in line]
    early = running.process.returncode in (-INT, 1) and all(FIRST_LINE in line for line in ours)
    assert running.process.returncode == 130 or early, said
    assert took_s < 2
    require_whole(place.folder)


@pytest.mark.parametrize("again_after_s", [0.01, 0.1, 0.3])
def test_a_second_ctrl_c_changes_nothing(again_after_s: float, place: Place, mark: str) -> None:
    path = place.path("run.ywrec")
    with started(mark, "record", path, "--site", "+", "--broker", place.url, cwd=place.folder) as running:
        time.sleep(A_WHILE_S)
        running.stopped_by(INT, again_after_s=again_after_s)
    with started(mark, "conform", "north", "--site", place.site, "--spawn", cwd=place.folder) as running:
        running.wait_for("Let north connect")
        running.stopped_by(INT, again_after_s=again_after_s)
    require_whole(place.folder)


def test_the_program_and_its_module_begin_in_the_same_place() -> None:
    from importlib.metadata import entry_points

    (script,) = entry_points(group="console_scripts", name="yardwire")
    assert script.value == f"{YARDWIRE[-1]}:main"
