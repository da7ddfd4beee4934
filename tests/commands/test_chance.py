"""Two starts on one bus are no twins: boots, tokens and claims are new each time, whatever the seed [SUP-06, MSG-05].

What is compared is what another client of a real broker heard.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.commands.demo.yard import demo_yard
from protocol.recording import Header
from protocol.site_file import load_site, scenario_text
from tests.commands.listener import Heard, Listener, acts
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs

pytestmark = needs("mosquitto")
MACHINES = 4
"""Nodes of the site beside the supervisor."""
PATIENCE_S = 60


@dataclass(frozen=True)
class Start:
    """What one start drew."""

    boots: dict[str, int]
    tokens: set[int]
    claims: list[int]

    def has_nothing_of(self, other: Start) -> bool:
        """Whether nothing is the same. Claims have 12 free bits each, so they are compared all at once."""
        return self.boots != other.boots and not self.tokens & other.tokens and self.claims != other.claims


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker("mosquitto") as broker:
        yield broker


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


def seen(subscriber: Listener) -> Start:
    claims = {node: body["id"] for node, body in reversed(subscriber.orders("claim"))}
    return Start(
        subscriber.boots(),
        {body["token"] for _, body in subscriber.orders("ask")},
        [claims[node] for node in sorted(claims)],
    )


def all_claimed(heard: list[Heard]) -> bool:
    return len({node for node, _ in acts(heard, "job-order", "claim")}) == MACHINES


def started(broker: Broker, where: Path, *arguments: str) -> Start:
    """Run a command until it has claimed every node, then stop it."""
    with Listener(broker) as subscriber:
        process = subprocess.Popen(
            [sys.executable, "-c", YARDWIRE, *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=where,
        )  # fmt: skip
        try:
            subscriber.wait_for(all_claimed)
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=PATIENCE_S)
        finally:
            process.kill()
        return seen(subscriber)


@pytest.mark.parametrize("seed", [(), ("--seed", "5")])
def test_two_starts_of_a_simulated_yard(broker: Broker, tmp_path: Path, seed: tuple[str, ...]) -> None:
    asked = ("supervise", "01-one-crane", "--yard", "simulated", "--broker", broker.url, "--yes", *seed)
    first, second = (started(broker, tmp_path, *asked) for _ in range(2))
    assert len(first.boots) == MACHINES + 1
    assert first.tokens
    assert first.has_nothing_of(second), (first, second)


def test_two_starts_among_nodes_that_stay(broker: Broker, site: Path) -> None:
    """Here every boot is old: an answer to the first supervisor must not pass for one to the second."""
    nodes = [
        subprocess.Popen(
            [sys.executable, "-c", YARDWIRE, "node", name, "--site", str(site), "--broker", broker.url],
            stdout=subprocess.DEVNULL,
        )
        for name in ("north", "south", "siding", "ferry")
    ]
    try:
        asked = ("supervise", "01-one-crane", "--yard", "real", "--broker", broker.url, "--yes")
        first, second = (started(broker, site.parent, *asked) for _ in range(2))
    finally:
        for node in nodes:
            node.kill()
            node.wait()
    assert first.boots.keys() == {"yard", *first.boots}
    assert first.boots["yard"] != second.boots["yard"]
    assert not first.tokens & second.tokens
    assert first.claims != second.claims


def test_two_demos(broker: Broker, site: Path, tmp_path: Path) -> None:
    found = []
    for number in range(2):
        header = Header("harlow-basin", "2026-01-01T00:00:00Z", "mosquitto", "test")
        with (
            Listener(broker) as subscriber,
            demo_yard(load_site(site), broker, tmp_path / f"{number}.ywrec", header, 7),
        ):
            subscriber.wait_for(all_claimed)
            found.append(seen(subscriber))
    assert len(found[0].boots) == MACHINES + 1
    assert found[0].has_nothing_of(found[1]), found


def test_two_runs_of_a_tester(broker: Broker, site: Path) -> None:
    """A tester asks and claims too, and the board may be in the same boot the next time."""
    tokens, claims = [], []
    asked = (
        "conform",
        "north",
        "--site",
        str(site),
        "--broker",
        broker.url,
        "--spawn",
        "--no-motion",
        "--yes",
    )
    for _ in range(2):
        with Listener(broker) as subscriber:
            done = subprocess.run(
                [sys.executable, "-c", YARDWIRE, *asked, "--only", "claim-raises"],
                capture_output=True, timeout=PATIENCE_S, check=False,
            )  # fmt: skip
            assert done.returncode == 0, done.stdout + done.stderr
            subscriber.wait_for(lambda heard: bool(acts(heard, "job-report", "claim")))
            tokens.append({body["token"] for _, body in subscriber.orders("ask")})
            claims.append([body["id"] for _, body in subscriber.orders("claim")])
    assert tokens[0]
    assert claims[0]
    assert not tokens[0] & tokens[1]


def test_two_runs_over_a_supervisor(broker: Broker, site: Path) -> None:
    """The nodes that the kit plays have another boot each time: a supervisor may remember the last."""
    boots = []
    asked = ("conform", "yard", "--site", str(site), "--broker", broker.url, "--spawn", "--yes")
    for _ in range(2):
        with Listener(broker) as subscriber:
            subprocess.run(
                [sys.executable, "-c", YARDWIRE, *asked, "--only", "supervisor-asks"],
                capture_output=True, timeout=PATIENCE_S, check=False,
            )  # fmt: skip
            boots.append({node: boot for node, boot in subscriber.boots().items() if node != "yard"})
    assert len(boots[0]) == MACHINES
    assert boots[0] != boots[1]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("supervise", "01-one-crane", "--yard", "real", "--yes", "--seed", "5"), "--seed"),
        (("supervise", "--yes", "--seed", "5"), "--seed"),
        (("node", "yard", "--yes", "--seed", "5"), "--seed"),
    ],
)
def test_a_seed_where_nothing_may_come_from_it(site: Path, arguments: tuple[str, ...], told: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", YARDWIRE, *arguments, "--broker", "mqtt://127.0.0.1:1"],
        capture_output=True, text=True, cwd=site.parent, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert told in done.stderr
