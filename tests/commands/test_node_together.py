"""`yardwire node` with several nodes: one simulated yard, seen from outside by another client of a real broker."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from protocol.site_file import scenario_text
from reference_node.supervisor.questions.question import CAUTION
from tests.commands.listener import Heard, Listener, acts
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs

NODES = ("north", "south", "siding", "ferry")
PATIENCE_S = 30
CYCLE_S = 150
TWO_BOXES = """\
scenario = 1
site = "harlow-basin"
title = "Two boxes one after the other over the water"
within_s = 140

[start.boxes]
stack-n = ["C-100", "C-101", "C-102", ""]

[goals]
boxes = { C-102 = ["stack-s", 0], C-101 = ["stack-s", 1] }

[expect]
failed = 0
boxes = { C-102 = ["stack-s", 0], C-101 = ["stack-s", 1] }
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


@contextmanager
def running(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, *arguments],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"}, start_new_session=True,
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def all_are_on(heard: list[Heard]) -> bool:
    on = {node for node, message, body in heard if message == "node-status" and body.get("state") == "on"}
    return on >= set(NODES)


def told_until(process: subprocess.Popen[str], end: str) -> str:
    """What it has said up to the first line that ends so."""
    assert process.stdout is not None
    told = ""
    while not " ".join(told.split()).endswith(end):
        line = process.stdout.readline()
        assert line, told
        told += line
    return told


def said_after_ctrl_c(process: subprocess.Popen[str]) -> str:
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, err) == (130, "stopped by Ctrl-C\n")
    return out


ANSWERS = {"At which place": "quay-n", "What stands in the slot of ferry": "-"}
"""How a person answers where a question is not about an empty track; the deck is empty when it is asked."""


def settle(process: subprocess.Popen[str]) -> str:
    """Answer what only a person can tell, until it ends; gives all that was said."""
    assert process.stdin is not None
    assert process.stdout is not None
    told = []
    for line in process.stdout:
        told.append(line)
        number, _, question = line.partition("  ")
        if number.isdigit():
            asks = question.removeprefix(f"{CAUTION} ")
            answer = next(
                (words for start, words in ANSWERS.items() if asks.startswith(start)), "it is empty"
            )
            process.stdin.write(f"answer {number} {answer}\n")
            process.stdin.flush()
    return "".join(told)


@needs("mosquitto")
def test_all_nodes_come_and_go(site: Path) -> None:
    with (
        start_broker("mosquitto") as broker,
        Listener(broker) as subscriber,
        running("node", "--all", "--site", str(site), "--broker", broker.url) as process,
    ):
        subscriber.wait_for(all_are_on)
        assert "yard" not in subscriber.boots(), "a supervisor is never one of all"
        out = told_until(process, "looks for it.") + said_after_ctrl_c(process)
        subscriber.wait_for(
            lambda heard: {node for node, _, body in heard if body.get("state") == "off"} >= set(NODES)
        )
    assert [line.partition(":")[0] for line in out.splitlines()[: len(NODES)]] == list(NODES)
    shared = " ".join(out.splitlines()[len(NODES) :])
    assert "north, south, siding, ferry share one simulated yard" in shared
    assert "Not shared" not in shared
    assert max(len(line) for line in out.splitlines()[len(NODES) :]) <= 80


@pytest.mark.slow
@needs("mosquitto")
def test_a_slot_that_one_crane_empties_is_full_again_after_another(site: Path) -> None:
    """The deck: north sets a box down, south takes it, north sets the next one down, south takes that."""
    (site.parent / "two.toml").write_text(TWO_BOXES)
    with (
        start_broker("mosquitto") as broker,
        Listener(broker) as subscriber,
        running("node", "--all", "--site", str(site), "--broker", broker.url) as nodes,
    ):
        subscriber.wait_for(all_are_on)
        asked = ("--site", str(site), "--yard", "real", "--broker", broker.url, "--yes")
        with running("supervise", str(site.parent / "two.toml"), *asked) as process:
            out = settle(process)
            assert process.wait(PATIENCE_S) == 0, out
        ended = ends_of_transfers(subscriber.heard)
        assert {state for _, state in ended} == {"done"}, ended
        to_deck = {
            body["id"]
            for node, body in subscriber.orders("transfer")
            if node == "north" and body["to"] == "ferry"
        }
        off_deck = {body["id"] for node, body in subscriber.orders("transfer") if node == "south"}
        assert (len(to_deck), len(off_deck)) == (2, 2)
        assert "in the simulated yard" not in said_after_ctrl_c(nodes)


def ends_of_transfers(heard: list[Heard]) -> list[tuple[str, str]]:
    """How every transfer ended, each once, in the order of their ends."""
    ends = {
        (node, body["id"]): body["state"]
        for node, body in acts(heard, "job-report", "transfer")
        if body["state"] in ("done", "failed", "refused", "cancelled")
    }
    return [(node, state) for (node, _), state in ends.items()]


@pytest.mark.parametrize(
    ("names", "elsewhere"), [(("north",), "south, siding, ferry"), (("north", "ferry"), "south, siding")]
)
def test_separate_processes_say_what_they_do_not_share(
    names: tuple[str, ...], elsewhere: str, site: Path
) -> None:
    with (
        start_broker("embedded") as broker,
        running("node", *names, "--site", str(site), "--broker", broker.url) as process,
    ):
        told = told_until(process, "in one yard.").replace("\n", " ")
    assert f"Not shared with {elsewhere}: boxes that they set down or take" in told
    assert "'yardwire node --all' runs all nodes in one yard." in told


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "Take --all, or name one of: north, south, siding, ferry"),
        (("north", "north"), "'north' is named twice"),
        (("north", "west"), "'west' is not a node of this site"),
        (("--all", "yard"), "real machines move, and there is no terminal to ask on"),
        (("--all", "yard", "--bench"), "'yard' is a supervisor"),
        (("--all", "--brief", "none.json"), "takes no --brief"),
    ],
)
def test_wrong_arguments(arguments: tuple[str, ...], told: str, site: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", YARDWIRE, "node", *arguments, "--site", str(site)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert told in done.stderr


def test_no_broker_leaves_nothing_running(site: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", YARDWIRE, "node", "--all", "--site", str(site), "--broker", "mqtt://127.0.0.1:1"],
        capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "mqtt://127.0.0.1:1" in done.stderr
    assert done.stdout == ""
