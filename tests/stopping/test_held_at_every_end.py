"""However a command ends that has set machines in motion, they are told to hold, or it is said that they may move.

Seen on the bus, by another client.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker
from conformance.suite.brief import brief_for, route_of
from protocol.site_file import scenario
from protocol.topics import parse_topic
from protocol.validation import read_message
from tests.commands.yardwire import YARDWIRE
from tests.recordings.gate import order, recording
from tests.sample import sampled
from tests.stopping.processes import PATIENCE_S, Running, started

SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
Said = tuple[str, str, dict[str, Any]]
"""Node, message and body."""


FENCE = "fence"
"""A topic of the witness's own: what the broker got before comes before."""


@dataclass
class Witness:
    """Another client that hears the whole site, in order."""

    client: Client
    heard: queue.SimpleQueue[Said] = field(default_factory=queue.SimpleQueue)
    kept: list[Said] = field(default_factory=list)

    def hear(self, _client: object, _data: object, message: MQTTMessage) -> None:
        if message.topic == FENCE:
            self.heard.put((FENCE, "", {}))
            return
        topic = parse_topic(message.topic)
        body = read_message(topic.message, bytes(message.payload), closed=False).body
        if body is not None and not message.retain:
            self.heard.put((topic.node, topic.message, body))

    def wait_for(self, wanted: Callable[[Said], bool], within_s: float = PATIENCE_S) -> Said:
        end = time.monotonic() + within_s
        while True:
            self.kept.append(self.heard.get(timeout=max(0.01, end - time.monotonic())))
            if wanted(self.kept[-1]):
                return self.kept[-1]

    def orders(self) -> list[tuple[str, str]]:
        """The node and the act of every order that the broker has by now, in the order in which it got them."""
        self.client.publish(FENCE, b"", 1)
        self.wait_for(lambda said: said[0] == FENCE)
        return [(node, body["act"]) for node, message, body in self.kept if message == "job-order"]

    def is_held(self, node: str) -> bool:
        """Whether the node's newest state says so."""
        states = [body["held"] for name, _, body in self.kept if name == node and "held" in body]
        return states[-1] is True


def works(node: str, *acts: str) -> Callable[[Said], bool]:
    """The node says that it is at work on one of these acts."""

    def so(said: Said) -> bool:
        name, message, body = said
        return (name, message) == (node, "job-report") and body["state"] == "running" and body["act"] in acts

    return so


@pytest.fixture
def witness(broker: Broker) -> Iterator[Witness]:
    client = Client(CallbackAPIVersion.VERSION2)
    seen = Witness(client)
    client.on_message = seen.hear
    client.connect(broker.host, broker.port)
    client.subscribe([("yw1/harlow-basin/#", 1), (FENCE, 1)])
    client.loop_start()
    yield seen
    client.disconnect()
    client.loop_stop()


@contextmanager
def nodes(mark: str, *words: str, broker: Broker, site: str, cwd: Path) -> Iterator[Running]:
    with started(f"{mark}.nodes", "node", *words, "--site", site, "--broker", broker.url, cwd=cwd) as running:
        running.wait_for("stop it with Ctrl-C")
        yield running


def spoilt(prelude: str) -> tuple[str, ...]:
    """The program, after these lines."""
    return (sys.executable, "-c", f"{prelude}\n{YARDWIRE}")


FAILS = """
import threading, time
from conformance.bench.wire_bench import WireBench
sound, planted = WireBench.wait, []
def wait(self, *given):
    found = sound(self, *given)
    if not planted and any(one.from_node and one.body.get("state") == "running" for one in self.log.messages[-9:]):
        planted.append(True)
        FAULT
    return found
WireBench.wait = wait
"""
IN_A_THREAD = """
        threading.Thread(target=lambda: 1 / 0).start()
        time.sleep(5)
"""


@pytest.mark.parametrize("command", ["conform", "fuzz"])
def test_a_fault_of_the_kit_leaves_it_held(
    command: str, witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    """An error that no case takes for its own."""
    prelude = FAILS.replace("FAULT", 'raise SystemExit("planted")')
    only = ("--only", "shuttle-runs") if command == "conform" else ("--only", "sequences")
    words = (command, "ferry", "--site", site, "--spawn", "--yes", "--broker", broker.url, *only)
    with started(mark, *words, program=spoilt(prelude), cwd=tmp_path) as running:
        witness.wait_for(works("ferry", "run"))
        said = running.all_said()
    assert witness.orders()[-1:] == [("ferry", "hold")], said
    assert witness.is_held("ferry")
    assert "ferry is held" in said


def test_a_fault_of_a_thread_publishes_nothing_more_and_says_that_it_may_move(
    witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    prelude = FAILS.replace("FAULT", IN_A_THREAD)
    words = (
        *("conform", "ferry", "--site", site, "--spawn", "--yes", "--broker", broker.url),
        *("--only", "shuttle-runs"),
    )
    with started(mark, *words, program=spoilt(prelude), cwd=tmp_path) as running:
        witness.wait_for(works("ferry", "run"))
        said = running.all_said()
        assert running.process.wait() == 2
    ordered = witness.orders()
    assert ordered[-1][1] != "hold", said
    assert "ferry could not be told to hold, and may still move" in said


@pytest.mark.parametrize("number", sampled(SIGNALS, (signal.SIGINT,)))
def test_a_replay_that_is_stopped_holds_what_it_ordered(
    number: signal.Signals, witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    with nodes(mark, "ferry", "north", "--bench", broker=broker, site=site, cwd=tmp_path):
        boots: dict[str, int] = {}
        while len(boots) < 2:
            node, _, body = witness.wait_for(lambda said: said[1] == "node-status")
            boots[node] = body["boot"]
        run = {"act": "run", "boot": boots["ferry"], "id": 900, "deadline": 4_000_000_000, "to": "quay-s"}
        claim = {"act": "claim", "boot": boots["ferry"], "id": 500}
        asks = [order({"act": "ask", "token": n}, "ferry", at_ms=1000 * n) for n in range(1, 60)]
        path = recording(tmp_path / "r.ywrec", order(claim, "ferry"), order(run, "ferry", 5), *asks)
        with started(mark, "replay", str(path), "--broker", broker.url, "--yes", cwd=tmp_path) as running:
            witness.wait_for(lambda said: said[2].get("act") == "run")
            said = running.stopped_by(number)
        assert [one for one in witness.orders() if one[1] != "ask"][-2:] == [
            ("ferry", "run"),
            ("ferry", "hold"),
        ], said
        assert witness.is_held("ferry")
        assert "ferry is held" in said
        assert "north" not in said.partition("ferry is held")[2]
        # A recording of nothing but holds and asks has moved nothing.
        path = recording(tmp_path / "asks.ywrec", *asks)
        with started(mark, "replay", str(path), "--broker", broker.url, "--yes", cwd=tmp_path) as running:
            witness.wait_for(lambda said: said[2].get("token") == 2)
            running.stopped_by(number)
        assert witness.orders().count(("ferry", "hold")) == 1


@pytest.mark.parametrize("number", sampled(SIGNALS, (signal.SIGHUP,)))
def test_the_reference_supervisor_holds_what_is_at_work(
    number: signal.Signals, witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    route = route_of(scenario())
    assert route is not None
    brief = replace(brief_for(scenario(), route), answers=True)
    (tmp_path / "brief.json").write_text(json.dumps(brief.document()), encoding="utf-8")
    words = ("node", "yard", "--site", site, "--yes", "--brief", "brief.json", "--broker", broker.url)
    with (
        nodes(mark, "--all", broker=broker, site=site, cwd=tmp_path),
        started(mark, *words, cwd=tmp_path) as running,
    ):
        witness.wait_for(works("north", "home"))
        said = running.stopped_by(number)
        ordered = witness.orders()
    home, hold = (len(ordered) - ordered[::-1].index(("north", act)) for act in ("home", "hold"))
    assert home < hold, said
    assert {act for _, act in ordered[hold:]} <= {"hold"}
    assert "north is held in the middle of its job" in said


def test_a_supervisor_that_fails_holds_what_is_at_work(
    witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    prelude = """
import pathlib
from conformance.commands.supervise import yard
sound = yard.WireYard.go_on
def go_on(self):
    if pathlib.Path("fail").exists():
        raise ValueError("planted")
    sound(self)
yard.WireYard.go_on = go_on
"""
    words = (
        "supervise",
        "04-one-train",
        "--site",
        site,
        "--yard",
        "simulated",
        "--yes",
        "--broker",
        broker.url,
    )
    with started(mark, *words, program=spoilt(prelude), cwd=tmp_path) as running:
        witness.wait_for(works("north", "home"))
        (tmp_path / "fail").touch()
        said = running.all_said()
        assert running.process.wait() == 2
        ordered = witness.orders()
    assert [act for node, act in ordered if node == "north"][-2:] == ["home", "hold"], said
    assert "north is held in the middle of its job" in said


def test_nobody_reads_what_a_supervisor_says_any_more(
    witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    """`yardwire supervise | head`: it ends, as there is nobody who would see what goes wrong."""
    words = (
        "supervise",
        "04-one-train",
        "--site",
        site,
        "--yard",
        "simulated",
        "--yes",
        "--broker",
        broker.url,
    )
    reading, writing = os.pipe()
    with subprocess.Popen(
        [*spoilt(""), *words], stdin=subprocess.DEVNULL, stdout=writing, stderr=subprocess.PIPE, cwd=tmp_path,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        os.close(writing)
        try:
            witness.wait_for(works("north", "home"))
            os.close(reading)
            _, said = process.communicate(timeout=PATIENCE_S)
        finally:
            process.kill()
    ordered = witness.orders()
    assert process.returncode == 2
    assert [act for node, act in ordered if node == "north"][-2:] == ["home", "hold"], said


def test_a_hold_is_heard_behind_a_quit(
    witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    """Jobs under way come to their end, which takes a while: whoever sees a hand in the way can still say so."""
    words = ("supervise", "--site", site, "--yard", "simulated", "--yes", "--broker", broker.url)
    with started(mark, *words, on_terminal=True, cwd=tmp_path) as running:
        witness.wait_for(works("north", "home"))
        assert running.terminal is not None
        os.write(running.terminal, b"quit\n")
        running.wait_for("under way: ")
        os.write(running.terminal, b"hold\n")
        witness.wait_for(lambda said: (said[0], said[2].get("act")) == ("north", "hold"))


def test_ctrl_c_ends_pytest_with_the_node_held(
    witness: Witness, mark: str, tmp_path: Path, site: str, broker: Broker
) -> None:
    options = {"node": "ferry", "site": site, "broker": broker.url}
    words = [word for name, value in options.items() for word in (f"--yardwire-{name}", value)]
    script = "import signal, sys, pytest; signal.signal(signal.SIGINT, signal.default_int_handler)"
    program = (sys.executable, "-c", f"{script}; sys.exit(pytest.main(sys.argv[1:]))")
    run = [
        "-q",
        "-p",
        "no:cacheprovider",
        "-k",
        "shuttle or orders",  # more than it can be through with before the signal reaches it
        "--yardwire-spawn",
        "--yardwire-may-move",
        *words,
    ]
    with started(mark, *run, program=program, cwd=tmp_path) as running:
        witness.wait_for(works("ferry", "run"))
        running.process.send_signal(signal.SIGINT)
        said = running.all_said()
        assert running.process.wait() == 2
    assert witness.orders()[-1:] == [("ferry", "hold")], said
    assert "ferry is held" in said
