"""What a person does and says: resets by command or by hand, questions, declarations; none of it is a verdict."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.reports import as_html, as_junit, as_text
from conformance.reports.document import document
from conformance.suite.fixture import Fixture
from conformance.suite.traceability import OF_A_NODE, table
from conformance.suite.verdict import Unclear, Verdict
from conformance.tester.questions import KINDS, Answered, Person, ask_all, questions, questions_for
from conformance.tester.reset import Reset, command, request
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario, scenario_text
from protocol.specification import specification
from protocol.trouble import Trouble
from tests.faulty_nodes.faulty import run_of

PATIENCE_S = 60
KILL = "import os, pathlib, signal, sys; os.kill(int(pathlib.Path(sys.argv[1]).read_text()), signal.SIGKILL)"


# ---------------------------------------------------------------- resets


class Board:
    """A board as its power supply sees it: whenever it is switched off it comes up again, with another boot."""

    def __init__(self, tap: Tap, folder: Path) -> None:
        site = folder / "site.toml"
        site.write_text(scenario_text())
        self.pid = folder / "pid"
        self._command = [
            *(sys.executable, "-m", "conformance.commands.main", "node", "ferry", "--bench"),
            *("--site", str(site), "--broker", f"mqtt://{tap.host}:{tap.port}"),
        ]
        self._gone = threading.Event()
        self._thread = threading.Thread(target=self._supply)
        self._process = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        process = subprocess.Popen(self._command, stdout=subprocess.DEVNULL)
        self.pid.write_text(str(process.pid))
        return process

    def _supply(self) -> None:
        while self._process.wait() is not None and not self._gone.is_set():
            self._process = self._start()

    @contextmanager
    def powered(self) -> Iterator[Board]:
        self._thread.start()
        try:
            yield self
        finally:
            self._gone.set()
            self._process.kill()
            self._thread.join()
            self._process.kill()
            self._process.wait()

    @property
    def switch(self) -> str:
        """A command line that takes its power away."""
        return f"{sys.executable} -c '{KILL}' {self.pid}"


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with start_broker("embedded") as started:
        yield started


def after_reset(broker: Broker, folder: Path, cycle_of: Callable[[Board], Callable[[], None]]) -> Result:
    """What the case of the reset says of a board that is reset in this way."""
    with Tap(broker.host, broker.port) as tap, Board(tap, folder).powered() as board:
        reset = Reset(tap, cycle_of(board))
        with WireBench(tap, broker.address, reset) as bench:
            fixture = Fixture(bench, scenario(), "ferry", Random(1), slow=4)
            return Run(fixture, Selection(("claim-after-reset",))).perform()["claim-after-reset"]


def test_a_command_of_the_user_resets_the_board(broker: Broker, tmp_path: Path) -> None:
    result = after_reset(broker, tmp_path, lambda board: command(board.switch))
    assert result.verdict is Verdict.PASS, result.reason


def test_a_person_resets_the_board_and_types_nothing(broker: Broker, tmp_path: Path) -> None:
    told: list[str] = []

    def by_hand(board: Board) -> Callable[[], None]:
        def hear(text: str) -> None:
            told.append(text)
            command(board.switch)()

        return request(hear, "ferry")

    result = after_reset(broker, tmp_path, by_hand)
    assert result.verdict is Verdict.PASS, result.reason
    assert len(told) == 1
    assert "'ferry'" in told[0]


def test_a_board_that_does_not_come_back_is_unclear(broker: Broker) -> None:
    with Tap(broker.host, broker.port) as tap, pytest.raises(Unclear, match="did not connect"):
        Reset(tap, lambda: None, within_s=0.05)()


@pytest.mark.parametrize(
    ("line", "told", "within_s"),
    [
        (f"{sys.executable} -c 'print(\"no relay\"); raise SystemExit(3)'", "ended with 3: no relay", 30),
        ("/no/such/relay --off", "cannot be run", 30),
        (f"{sys.executable} -c 'import signal; signal.pause()'", "did not end", 0.3),
    ],
)
@pytest.mark.wire
def test_a_reset_command_that_goes_wrong_makes_no_verdict(line: str, told: str, within_s: float) -> None:
    with pytest.raises(Unclear, match=told):
        command(line, within_s)()


def runs(pid: int) -> bool:
    """Whether it is there, and not only waits to be asked how it ended (proc(5): state Z)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def until(so: Callable[[], bool]) -> None:
    """Wait for it; a kill takes effect when the system has time for it."""
    end = time.monotonic() + PATIENCE_S
    while not so():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="tells a process that ended by /proc")
@pytest.mark.wire
def test_the_script_of_the_guide_returns_and_leaves_the_program_running(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As it stands there, but for the program: it is killed and started again, and the kit does not end it."""
    monkeypatch.chdir(tmp_path)
    guide = (Path(__file__).parents[2] / "docs" / "guides" / "add-a-board.md").read_text("utf-8")
    (script,) = re.findall(r"^```sh\n(#!/bin/sh\n.*?)^```", guide, re.MULTILINE | re.DOTALL)
    program = "node my-berth.js --port 1883"
    assert program in script
    path = tmp_path / "restart.sh"
    path.write_text(script.replace(program, f"{sys.executable} -c 'import signal; signal.pause()'"))
    path.chmod(0o700)
    started: list[int] = []
    try:
        for _ in range(2):
            command(str(path))()
            started.append(int((tmp_path / "node.pid").read_text()))
        until(lambda: not runs(started[0]))
        assert runs(started[1])
    finally:
        for pid in started[-1:]:
            os.kill(pid, signal.SIGKILL)


@pytest.mark.parametrize("line", ["", "'open quote"])
def test_a_reset_command_that_is_none_is_told_before_anything_runs(line: str) -> None:
    with pytest.raises(Trouble):
        command(line)


# ---------------------------------------------------------------- questions


def test_every_must_on_nodes_has_a_case_or_a_question_or_a_declaration() -> None:
    accounted = {row.requirement.id for row in table() if row.covered} | set(questions())
    bound = [one for one in specification().requirements.values() if one.role in OF_A_NODE]
    assert [one.id for one in bound if one.level == "MUST" and one.id not in accounted] == []


def test_whatever_a_person_sees_or_declares_is_asked_and_nothing_else() -> None:
    seen = {id_: one.seen for id_, one in specification().requirements.items() if one.seen in KINDS}
    assert {id_: KINDS[how] for id_, how in seen.items()} == {id_: q.kind for id_, q in questions().items()}


def test_a_question_says_what_to_do_and_a_declaration_has_nothing_to_do() -> None:
    for one in questions().values():
        assert one.ask.endswith("?")
        assert bool(one.do) == (one.kind == "asked of a person"), one.requirement


def test_questions_are_those_of_the_roles() -> None:
    nodes = scenario().nodes
    asked = {name: {one.requirement for one in questions_for(node)} for name, node in nodes.items()}
    assert asked["north"] - asked["siding"] == {"CRN-12"}
    assert asked["siding"] - asked["north"] == {"BER-09"}
    assert asked["yard"] == {"SUP-26"}


@contextmanager
def typed(text: str) -> Iterator[tuple[Person, list[str]]]:
    """A person whose answers are these lines, and what that person was told."""
    reading, writing = os.pipe()
    os.write(writing, text.encode())
    os.close(writing)
    told: list[str] = []
    with os.fdopen(reading) as lines:
        yield Person(lines, told.append, within_s=5), told


@pytest.mark.parametrize(
    ("text", "answer"), [("y\n", "yes"), ("NO\n", "no"), ("\n", "not now"), ("", "not now")]
)
def test_a_person_answers(text: str, answer: str) -> None:
    with typed(text) as (person, told):
        assert person.answer(questions()["CRN-12"]).answer == answer
    assert any("only when the box stood" in line for line in told)


def test_a_word_that_is_no_answer_is_asked_again() -> None:
    with typed("perhaps\n") as (person, told):
        assert person.answer(questions()["SAF-01"]).answer == "not now"
    assert any(line.startswith("Please answer") for line in told)


def test_nobody_waits_for_ever() -> None:
    reading, writing = os.pipe()
    with os.fdopen(reading) as lines:
        person = Person(lines, lambda _text: None, within_s=0.05)
        assert person.answer(questions()["SAF-01"]).answer == "not now"
    os.close(writing)


def test_what_was_answered_before_is_not_asked_again() -> None:
    before = [Answered(questions()["SAF-01"], "yes"), Answered(questions()["SAF-02"], "not now")]
    with typed("") as (person, told):
        after = ask_all(person, before)
    assert after[0] is before[0]
    assert not any("SAF-01" in line for line in told)


def answered(**answers: str) -> dict[str, Any]:
    run = run_of("ferry", only=("orders-ask",))
    run.perform()
    people = [
        Answered(one, answers.get(one.requirement[:3], "not asked"))
        for one in questions_for(run.fixture.node)
    ]
    return document(run, seed=1, people=people)


def test_what_people_say_is_shown_in_every_report_and_counted_in_no_verdict() -> None:
    silent, told = answered(), answered(SAF="no", SER="yes")
    assert told["counts"] == silent["counts"]
    assert told["verdict"] == silent["verdict"] == "pass"
    head, judged, *rest, last = as_text.render(silent).splitlines()
    assert head == "ferry (shuttle): 2 cases: 2 pass"
    assert judged.startswith("  all that was said was judged too")
    assert last == "  verdict: pass"
    assert not any("asked" in line or "declared" in line for line in rest), "nothing of people"
    text = as_text.render(told)
    assert "SAF-02 (asked of a person)" in text
    assert "not conformant by what a person said of" in " ".join(text.split())
    assert "declared, not tested: 2 not asked, 2 no, 3 yes" in text
    assert max(map(len, text.splitlines())) <= as_text.WIDTH
    assert "declared: not tested" in as_html.render(told)
    assert 'name="declared: SAF-01" value="no"' in as_junit.render(told)


@pytest.mark.parametrize(("word", "code"), [("y", 0), ("n", 1)])
def test_asked_on_a_terminal_at_the_end_of_a_run(word: str, code: int, tmp_path: Path) -> None:
    """A MUST that a person sees broken ends the run with 1, whatever the cases say."""
    site, report = tmp_path / "site.toml", tmp_path / "report.json"
    site.write_text(scenario_text())
    master, terminal = pty.openpty()
    asked = questions_for(scenario().nodes["ferry"])
    os.write(master, f"{word}\n".encode() * len(asked))
    ended = subprocess.run(
        [
            *(sys.executable, "-m", "conformance.commands.main", "conform", "ferry", "--site", site),
            *("--spawn", "--choice", "embedded", "--only", "orders-ask", "--ask-person", "--json", report),
        ],
        stdin=terminal,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    os.close(master)
    os.close(terminal)
    assert ended.returncode == code, ended.stderr
    people = json.loads(report.read_text())["people"]
    assert {one["answer"] for one in people} == {{"y": "yes", "n": "no"}[word]}
    assert len(people) == len(asked)
