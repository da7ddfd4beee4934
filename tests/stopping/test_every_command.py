"""Ctrl-C and `kill` end every command within two seconds, in every phase, and nothing of it goes on running."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path

import pytest

import conformance
from protocol.recording import RecordedEnd, RecordingReader
from tests.sample import sampled
from tests.stopping.moments import Moment, amidst, judges_what_it_hears, records, says, waits_for_an_answer
from tests.stopping.place import GOOD_RUN, Place
from tests.stopping.processes import PATIENCE_S, WITHIN_S, YARDWIRE, Running, started

INT, TERM, HUP = signal.SIGINT, signal.SIGTERM, signal.SIGHUP

Words = Callable[[Place], list[str]]
PHASES: dict[str, tuple[Words, Moment, signal.Signals]] = {
    "demo, the cycle": (lambda p: ["demo", "--out", p.path("out")], says("asked"), INT),
    "demo, with mosquitto": (lambda p: ["demo", "--choice", "auto", "--out", p.path("out")], says("asked"), TERM),
    "validate, listening": (
        lambda p: ["validate", "--broker", p.url, "--seconds", "300"], judges_what_it_hears, INT
    ),
    "validate, waiting for a broker": (
        lambda p: ["validate", "--broker", p.silent.url, "--seconds", "300"], waits_for_an_answer, TERM
    ),
    "conform, waiting for its node": (
        lambda p: ["conform", "north", "--site", p.site, "--yes"], says("Let north connect"), INT
    ),
    "conform, judging": (
        lambda p: ["conform", "north", "--site", p.site, "--spawn", "--json", p.path("r.json")],
        says("Let north connect"), TERM,
    ),
    "conform, with a program that ignores SIGTERM": (
        lambda p: ["conform", "yard", "--site", p.site, "--program", p.stubborn()], says("Let yard connect"), INT
    ),
    "conform, with the reference supervisor": (
        lambda p: ["conform", "yard", "--site", p.site, "--spawn"], says("Let yard connect"), HUP
    ),
    "conform, waiting for a broker": (
        lambda p: ["conform", "north", "--site", p.site, "--yes", "--broker", p.silent.url], waits_for_an_answer, INT
    ),
    "node": (lambda p: ["node", "north", "--site", p.site, "--broker", p.url], says("stop it with Ctrl-C"), TERM),
    "node, waiting for a broker": (
        lambda p: ["node", "north", "--site", p.site, "--broker", p.silent.url], waits_for_an_answer, INT
    ),
    "fuzz, waiting for its node": (
        lambda p: ["fuzz", "ferry", "--site", p.site, "--yes", "--corpus", p.path("corpus")],
        says("Let ferry connect"), TERM,
    ),
    "fuzz, playing": (
        lambda p: ["fuzz", "ferry", "--site", p.site, "--spawn", "--corpus", p.path("corpus"), "--json", p.path("f")],
        says("the first batch goes out"), INT,
    ),
    "supervise, a scenario on a broker": (
        lambda p: ["supervise", "04-one-train", "--site", p.site, "--yard", "simulated"],
        says("stop it with Ctrl-C"), TERM,
    ),
    "supervise, at the prompt": (
        lambda p: ["supervise", "--site", p.site, "--yard", "simulated"], says("what can be said"), INT
    ),
    "supervise, with the page": (
        lambda p: ["supervise", "--site", p.site, "--yard", "simulated", "--page"], says("what can be said"), TERM
    ),
    "supervise, waiting for a broker": (
        lambda p: ["supervise", "--site", p.site, "--yard", "real", "--yes", "--broker", p.silent.url],
        waits_for_an_answer, INT,
    ),
    "record": (lambda p: ["record", p.path("run.ywrec"), "--site", "+", "--broker", p.url], records, TERM),
    "record, waiting for a broker": (
        lambda p: ["record", p.path("run.ywrec"), "--site", "+", "--broker", p.silent.url], waits_for_an_answer, INT
    ),
    "link, waiting for its port": (
        lambda p: ["link", p.path("port"), "--site", p.site, "--broker", p.url], says("stop it with Ctrl-C"), INT
    ),
    "watch": (lambda p: ["watch", "--site", p.site, "--broker", p.url], says("Stop it with Ctrl-C"), INT),
    "watch, waiting for a broker": (
        lambda p: ["watch", "--site", p.site, "--broker", p.silent.url], waits_for_an_answer, TERM
    ),
    "replay": (lambda p: ["replay", str(GOOD_RUN), "--broker", p.url], says("who is there"), TERM),
    "replay, waiting for a broker": (
        lambda p: ["replay", str(GOOD_RUN), "--broker", p.silent.url], waits_for_an_answer, INT
    ),
    "broker, mosquitto": (lambda p: ["broker", "--port", "0"], says("stop it with Ctrl-C"), INT),
    "broker, embedded": (
        lambda p: ["broker", "--port", "0", "--choice", "embedded"], says("stop it with Ctrl-C"), HUP
    ),
}  # fmt: skip
"""What runs, how it is seen that it is in the phase that is meant, and the signal. None of these ends by itself."""


@pytest.mark.parametrize("phase", PHASES)
def test_a_signal_ends_it(phase: str, place: Place, mark: str) -> None:
    words, moment, number = PHASES[phase]
    with started(mark, *words(place), cwd=place.folder) as running:
        moment(running, place)
        running.stopped_by(number)
    require_whole(place.folder)


WORK: dict[str, tuple[Words, signal.Signals]] = {
    "supervise, on virtual time": (lambda p: ["supervise", "06-three-trains", "--site", p.site], INT),
    "show, a long recording": (lambda p: ["show", p.long, "--stats"], INT),
    "show, exporting": (lambda p: ["show", p.long, "--export", p.path("run.jsonl")], TERM),
    "diff, long recordings": (lambda p: ["diff", p.long, p.long], INT),
    "measure, many pairs": (lambda p: ["measure", "table", p.pairs(390), "--site", p.site], TERM),
    "publish": (lambda p: ["publish", p.path("out")], INT),
}
"""What ends by itself, and well."""


@pytest.mark.parametrize("name", WORK)
def test_a_signal_ends_it_in_the_middle_of_its_work(name: str, place: Place, mark: str) -> None:
    words, number = WORK[name]

    def begin(folder: Path) -> AbstractContextManager[Running]:
        return started(mark, *words(replace(place, folder=folder)), cwd=folder)

    amidst(begin, place.folder, 0.5, lambda running: running.stopped_by(number))
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
PARTS = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
STARTS: dict[str, tuple[Words, str]] = {
    "demo": (lambda p: ["demo", "--choice", "auto", "--out", p.path("out")], "asked"),
    "conform": (lambda p: ["conform", "north", "--site", p.site, "--spawn"], "Let north connect"),
    "node": (lambda p: ["node", "north", "--site", p.site, "--broker", p.url], "stop it with Ctrl-C"),
}


@pytest.fixture(scope="module")
def starts_s() -> dict[str, float]:
    """Processor time until each has started, as far as it is known."""
    return {}


@pytest.mark.parametrize("part", sampled(PARTS, (0.0, 0.1, 0.4, 0.8)))
@pytest.mark.parametrize("command", STARTS)
def test_at_any_moment_of_its_start(
    command: str,
    part: float,
    place: Place,
    mark: str,
    starts_s: dict[str, float],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    words, says_at_last = STARTS[command]
    if command not in starts_s:
        elsewhere = replace(place, folder=tmp_path_factory.mktemp(command))
        with started(mark, *words(elsewhere), cwd=elsewhere.folder) as running:
            running.wait_for(says_at_last)
            starts_s[command] = running.look()
    with started(mark, *words(place), cwd=place.folder) as running:
        assert running.works(part * starts_s[command]), running.all_said()
        end_at_its_start(running)
    require_whole(place.folder)


@pytest.mark.parametrize("part", sampled(PARTS[:-1], (0.0, 0.05, 0.2)))
def test_at_any_moment_of_publishing(part: float, place: Place, mark: str) -> None:
    def begin(folder: Path) -> AbstractContextManager[Running]:
        return started(mark, "publish", str(folder / "out"), cwd=folder)

    amidst(begin, place.folder, part, end_at_its_start)
    require_whole(place.folder)


def end_at_its_start(running: Running) -> None:
    running.send(INT)
    began = time.monotonic()
    running.process.wait(PATIENCE_S)
    took_s = time.monotonic() - began
    said = running.all_said()
    # Before Python has come to our first line, which imports `signal`, it ends by the signal or an error of its own.
    ours = [line for line in said.splitlines() if "conformance" in line]
    early = running.process.returncode in (-INT, 1) and all(FIRST_LINE in line for line in ours)
    assert running.process.returncode == 130 or early, said
    assert took_s < WITHIN_S


@pytest.mark.parametrize("again_after_s", [0.01, 0.1, 0.3])
def test_a_second_ctrl_c_changes_nothing(again_after_s: float, place: Place, mark: str) -> None:
    path = place.path("run.ywrec")
    with started(mark, "record", path, "--site", "+", "--broker", place.url, cwd=place.folder) as running:
        records(running, place)
        running.stopped_by(INT, again_after_s=again_after_s)
    with started(mark, "conform", "north", "--site", place.site, "--spawn", cwd=place.folder) as running:
        running.wait_for("Let north connect")
        running.stopped_by(INT, again_after_s=again_after_s)
    require_whole(place.folder)


def test_the_program_and_its_module_begin_in_the_same_place() -> None:
    from importlib.metadata import entry_points

    (script,) = entry_points(group="console_scripts", name="yardwire")
    assert script.value == f"{YARDWIRE[-1]}:main"
