"""`yardwire supervise` as a user runs it."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from queue import Queue
from threading import Thread
from urllib.request import urlopen

import pytest

from conformance.bench.brokers.broker import start_broker
from protocol.site_file import scenario as site_of_the_kit
from protocol.site_file import scenario_text
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import MqttHost
from reference_node.machines.world import World
from reference_node.node import node_on_the_wire
from reference_node.scenario.scenario_file import library
from reference_node.supervisor.questions.question import CAUTION
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs
from tests.recordings.gate import at_a_terminal
from tests.supervisor.bus import mortal_broker, subscriber_at, until

PATIENCE_S = 120


@contextmanager
def supervise(where: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "supervise", *arguments],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, bufsize=1, start_new_session=True, cwd=where, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def ended(where: Path, *arguments: str, said: str = "") -> tuple[int, str, str]:
    with supervise(where, *arguments) as process:
        out, err = process.communicate(said, timeout=PATIENCE_S)
        return process.returncode, out, err


class Talk:
    """A prompt: says lines, and waits for what is told."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.told: list[str] = []
        self._lines: Queue[str] = Queue()
        Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line.rstrip("\n"))

    def say(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def wait_for(self, text: str) -> str:
        while True:
            line = self._lines.get(timeout=PATIENCE_S)
            self.told.append(line)
            if text in line:
                return line


def test_a_scenario_that_ends_as_it_expects(tmp_path: Path) -> None:
    code, out, err = ended(tmp_path, "04-one-train")
    assert code == 0, err
    assert "all goals met after" in out
    assert out.endswith("as the scenario expects\n")
    assert max(len(line) for line in out.splitlines()) <= 80


def test_a_scenario_that_does_not(tmp_path: Path) -> None:
    text = library()["01-one-crane"].read_text(encoding="utf-8").replace("failed = 0", "failed = 3")
    (tmp_path / "mine.toml").write_text(text)
    code, out, _ = ended(tmp_path, "mine.toml")
    assert code == 1
    assert "not as expected: 0 jobs failed or ended unknown, not 3" in out


def test_json_for_programs(tmp_path: Path) -> None:
    code, out, _ = ended(tmp_path, "01-one-crane", "--json", "--seed", "5")
    found = json.loads(out)
    assert code == 0
    assert found["met"] is True
    assert found["wrong"] == []
    assert found["withdrawn"] == []
    assert found["jobs"] == 1


def test_list(tmp_path: Path) -> None:
    code, out, _ = ended(tmp_path, "--list")
    assert code == 0
    assert [line for line in out.splitlines() if not line.startswith(" ")] == list(library())
    assert max(len(line) for line in out.splitlines()) <= 80


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("no-such",), "cannot read the scenario"),
        (("--yard", "virtual"), "on virtual time nobody can type"),
        (("01-one-crane", "--page"), "on virtual time there is nothing to look at"),
        (("--yes",), "cannot read the site file"),
        (("01-one-crane", "--site", "none.toml"), "cannot read the site file"),
        (("01-one-crane", "--seed", "-1"), "-1"),
    ],
)
def test_what_cannot_run(tmp_path: Path, arguments: tuple[str, ...], told: str) -> None:
    code, _, err = ended(tmp_path, *arguments)
    assert code == 2
    assert told in err
    assert "Traceback" not in err


def test_no_broker_is_told(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(scenario_text())
    code, _, err = ended(tmp_path, "--broker", "mqtt://127.0.0.1:1", "--yes")
    assert code == 2
    assert "127.0.0.1" in err


@pytest.mark.parametrize("yard", [(), ("--yard", "simulated")])
def test_nothing_moves_without_a_yes(tmp_path: Path, yard: tuple[str, ...]) -> None:
    """On somebody else's broker there may be real nodes that obey, simulated ones or not."""
    (tmp_path / "site.toml").write_text(scenario_text())
    with start_broker("embedded") as broker:
        code, _, err = ended(tmp_path, *yard, "--broker", broker.url, said="y\n")
        assert code == 2
        assert "eal machines" in err
        assert "CAUTION" in err
        assert "there is no terminal to ask on. Add --yes" in " ".join(err.split())
        command = [sys.executable, "-c", YARDWIRE, "supervise", *yard, "--broker", broker.url]
        command += ["--site", str(tmp_path / "site.toml")]
        code, said = at_a_terminal(command, "n")
        assert code == 2
        assert "nobody said yes, so nothing was moved" in said


def test_a_simulated_yard_by_hand(tmp_path: Path) -> None:
    with supervise(tmp_path, "--yard", "simulated") as process:
        talk = Talk(process)
        talk.wait_for("north: home done")
        talk.say("where")
        talk.wait_for("stack-n      0:C-100  1:C-101  2:C-102  3:-")
        talk.say("dance")
        talk.wait_for("there is no 'dance'; say 'help'")
        talk.say("bring C-101 stack-n")
        talk.wait_for("say it like this: bring BOX PLACE SLOT")
        talk.say("tell stack-s one C-7")
        talk.wait_for("a number is missing; say it like this: tell PLACE SLOT BOX")
        talk.say("bring C-101 stack-n 3")
        talk.wait_for("planned: 1 job")
        talk.wait_for("met: box C-101 to stack-n slot 3")
        for word in ("list", "plan", "questions", "log", "help"):
            talk.say(word)
        talk.wait_for("Slots count from 0.")
        talk.say("quit")
        assert process.wait(PATIENCE_S) == 0
    assert max(len(line) for line in talk.told) <= 80


def test_goals_and_a_second_look_at_the_prompt(tmp_path: Path) -> None:
    with supervise(tmp_path, "--yard", "simulated") as process:
        talk = Talk(process)
        talk.wait_for("north: home done")
        for line, told in (
            ("bring C-999 stack-s 0", "not done: there is no box C-999: known are C-100, C-101, C-102"),
            ("look bring C-102 stack-s 1", "would be refused: slot 1 of stack-s would be in mid-air"),
            ("look bring C-102 stack-s 0", "would do: planned for: box C-102 to stack-s slot 0"),
            ("look jog north 601 0 0", "would be refused: x of north goes from 0 to 600 mm, not to 601"),
            ("look hold north", "'hold' cannot be looked at first"),
            ("goals", "nothing"),
            ("train siding T-7 C-101=0 C-102=0", "not done: slot 0 of siding is given to C-101 and C-102"),
            ("hold", ""),
            ("bring C-102 stack-s 0", "taken"),
            ("train siding T-7 C-101=0", "taken"),
            ("reorder 2 1", "taken"),
            ("goals", "2  train T-7 at siding"),
            ("drop 2", "taken"),
            ("drop 2", "not done: there is no goal 2; goals are: 1"),
            ("drop 1", "taken"),
            ("goals", "nothing"),
        ):
            talk.say(line)
            if told:
                talk.wait_for(told)
        # Planned for while it is held, and not ordered: no line says that a box, a train or the shuttle is sent.
        ordered = ("from stack-n slot", "let train", "ferry: run")
        assert not any(words in line for line in talk.told for words in ordered)
        talk.say("quit")
        process.wait(PATIENCE_S)


def test_the_end_of_input_ends_it(tmp_path: Path) -> None:
    code, _, err = ended(tmp_path, "--yard", "simulated", said="list\n")
    assert code == 0, err


def test_ctrl_c(tmp_path: Path) -> None:
    with supervise(tmp_path, "04-one-train", "--yard", "simulated") as process:
        talk = Talk(process)
        talk.wait_for("north: home")
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 130
        assert process.stderr is not None
        assert process.stderr.read() == "stopped by Ctrl-C\n"


def test_a_bench_node_keeps_a_real_site_still(tmp_path: Path) -> None:
    """SUP-15."""
    (tmp_path / "site.toml").write_text(scenario_text())
    site = site_of_the_kit()
    with start_broker("embedded") as broker:
        endpoint = Endpoint(broker.host, broker.port)
        host = node_on_the_wire(
            site, "north", endpoint, boot=1, bench=True, world=World(site), rng=random.Random(1)
        )  # fmt: skip
        with host, supervise(tmp_path, "--broker", broker.url, "--yes") as process:
            talk = Talk(process)
            talk.wait_for("north is on the bench: a site with a bench node is not run")
            talk.say("quit")
            assert process.wait(PATIENCE_S) == 0


ANSWERS = {
    "Is track siding empty?": "it is empty",
    "At which place": "quay-n",
    "What stands in the slot": "-",
}
"""How a person answers who looks at a yard in which nothing stands but in stack-n."""


def answer(talk: Talk, line: str) -> None:
    """Answer the question of a line, if it is one."""
    number, _, question = line.partition("  ")
    for start, words in ANSWERS.items():
        if number.isdigit() and question.removeprefix(f"{CAUTION} ").startswith(start):
            talk.say(f"answer {number} {words}")


@pytest.mark.parametrize("obeys", [True, False])
def test_a_scenario_against_nodes_that_are_there(tmp_path: Path, obeys: bool) -> None:
    """A real yard: a person at the prompt answers, is told what to do when it is time for an event, and does it or
    does not.
    """
    (tmp_path / "site.toml").write_text(scenario_text())
    text = library()["01-one-crane"].read_text(encoding="utf-8")
    event = '[[events]]\nwhen = "north ready"\ndo = "reboot"\nnode = "ferry"\n\n'
    text = text.replace("[expect]", event + "[expect]").replace("within_s = 60", "within_s = 45")
    (tmp_path / "mine.toml").write_text(text)
    site = site_of_the_kit()
    world = World(site, {("stack-n", slot): f"C-10{slot}" for slot in range(3)})
    with start_broker("embedded") as broker, ExitStack() as stack:
        endpoint = Endpoint(broker.host, broker.port)

        def switched_on(name: str, boot: int) -> MqttHost:
            rng = random.Random(name)
            return node_on_the_wire(site, name, endpoint, boot=boot, bench=False, world=world, rng=rng)

        for name in ("north", "south", "siding"):
            stack.enter_context(switched_on(name, 1))
        ferry = stack.enter_context(switched_on("ferry", 1))
        asked = ("mine.toml", "--yard", "real", "--broker", broker.url, "--yes")
        with supervise(tmp_path, *asked) as process:
            talk = Talk(process)
            line = ""
            while not line.endswith("as the scenario expects"):
                line = talk.wait_for("")
                answer(talk, line)
                if obeys and "DO THIS NOW: switch ferry off and on" in line:
                    ferry.stop(graceful=False)
                    stack.enter_context(switched_on("ferry", 2))
            assert process.wait(PATIENCE_S) == (0 if obeys else 1)
    assert any("DO THIS NOW: switch ferry off and on" in line for line in talk.told)
    unseen = "  not as expected: this was not seen on the bus: switch ferry off and on"
    assert (unseen in talk.told) is not obeys
    assert any("seen on the bus: switch ferry off and on" in line for line in talk.told[:-3]) is obeys
    assert world.boxes[("stack-n", 3)] == "C-101"


def test_the_page_has_a_desk(tmp_path: Path) -> None:
    with supervise(tmp_path, "--yard", "simulated", "--page") as process:
        talk = Talk(process)
        url = talk.wait_for("live, with orders: ").partition("orders: ")[2]
        with urlopen(url, timeout=PATIENCE_S) as answer:
            assert b"harlow-basin" in answer.read()
        talk.wait_for("north: home done")
        talk.say("quit")
        assert process.wait(PATIENCE_S) == 0


@needs("mosquitto")
def test_a_hold_waits_for_a_broker_that_was_killed(tmp_path: Path) -> None:
    """What the prompt says of it, and what another client hears once the broker is back on its port."""
    with (
        mortal_broker() as broker,
        supervise(tmp_path, "--yard", "simulated", "--broker", broker.url, "--yes") as process,
    ):
        talk = Talk(process)
        for _ in ("north", "south"):  # A job that a hold keeps open would still be open at the end.
            talk.wait_for(": home done")
        broker.kill()
        talk.wait_for("the bus is away: nothing is sent")
        talk.say("hold south")
        talk.wait_for("not sent: the bus is away")
        talk.say("home north")
        talk.wait_for("not done: the bus is away")
        broker.revive()
        with subscriber_at(broker.port) as subscriber:
            talk.wait_for("the bus is back after")
            talk.wait_for("go on'")
            until(lambda: ("south", "hold") in subscriber.heard())
            talk.say("go on")
            talk.wait_for("taken")
            talk.say("list")
            talk.wait_for("south        held by the prompt")
            talk.say("quit")
            assert process.wait(PATIENCE_S) == 0
            assert [act for _, act in subscriber.heard() if act != "hold"] == []
