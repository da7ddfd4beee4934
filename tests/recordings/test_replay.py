"""`yardwire replay`: the same words again, only where they do no harm."""

from __future__ import annotations

from collections.abc import Container, Iterator
from pathlib import Path
from threading import Event
from time import monotonic
from typing import Any

import pytest
from click.testing import CliRunner, Result
from paho.mqtt.client import Client, MQTTMessage

from conformance.bench.brokers.broker import Broker
from conformance.commands.replay import replay
from conformance.recordings.replay.restamp import Restamp
from conformance.recordings.replay.schedule import Selection
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage, RecordingReader
from protocol.specification import specification
from tests.recordings.conftest import Yards
from tests.recordings.recorder import ROOT, WITHIN_S, publisher

READER = BulkReader()


def recorded(path: Path) -> list[RecordedMessage]:
    with path.open("rb") as file:
        return [item for item in RecordingReader(file) if isinstance(item, RecordedMessage)]


def ran(*arguments: str | Path) -> Result:
    words = [str(argument) for argument in (*arguments, "--yes")]
    result = CliRunner().invoke(replay, words, standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result


def is_ask(message: MQTTMessage) -> bool:
    body = READER.decode(message.topic, bytes(message.payload)) or {}
    return message.topic.endswith("/job-order") and body.get("act") == "ask"


class Subscriber:
    """Hears everything of the site but questions that the recording has not."""

    def __init__(self, client: Client, wanted: int, recorded: Container[bytes] = ()) -> None:
        self._recorded = recorded
        self.heard: list[tuple[str, bytes, int]] = []
        self.at: list[float] = []
        self.full = Event()
        self._wanted = wanted
        ready = Event()
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = self._hear
        client.subscribe(f"{ROOT}/#", 1)
        assert ready.wait(WITHIN_S)

    def _hear(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        if not message.retain and (not is_ask(message) or message.payload in self._recorded):
            self.heard.append((message.topic, bytes(message.payload), message.qos))
            self.at.append(monotonic())
        if len(self.heard) == self._wanted:
            self.full.set()


@pytest.fixture
def listener(broker: Broker) -> Iterator[Client]:
    with publisher(broker) as client:
        yield client


def test_as_fast_as_acknowledged_it_says_the_same_bytes(
    broker: Broker, yards: Yards, listener: Client
) -> None:
    wanted = [(one.topic, one.payload, one.qos) for one in recorded(yards.good(1))]
    subscriber = Subscriber(listener, len(wanted), {payload for _, payload, _ in wanted})
    ran(yards.good(1), "--broker", broker.url, "--fast")
    assert subscriber.full.wait(WITHIN_S)
    assert sorted(subscriber.heard[: len(wanted)]) == sorted(wanted)
    for topic in {one[0] for one in wanted}:
        assert [one for one in subscriber.heard[: len(wanted)] if one[0] == topic] == [
            one for one in wanted if one[0] == topic
        ]


def test_state_is_retained_again_and_orders_are_not(broker: Broker, yards: Yards) -> None:
    ran(yards.good(1), "--broker", broker.url, "--fast")
    kept: list[str] = []
    with publisher(broker) as client:
        done = Event()

        def hear(_client: Client, _data: object, message: MQTTMessage) -> None:
            kept.append(message.topic)
            if message.topic.endswith("/end"):
                done.set()

        client.on_message = hear
        client.subscribe(f"{ROOT}/#", 1)
        client.publish(f"{ROOT}/x/end", b"", 1)
        assert done.wait(WITHIN_S)
    messages = {topic.split("/")[3] for topic in kept}
    assert messages == {name for name, rule in specification().topics.items() if rule.retain} | {"end"}


def test_a_replay_leaves_nobody_behind_who_makes_the_next_one_refuse(broker: Broker, yards: Yards) -> None:
    last = [one for one in recorded(yards.good(1)) if one.topic.endswith("/node-status")][-1]
    assert (READER.decode(last.topic, last.payload) or {})["state"] == "on", (
        "the recording leaves somebody on"
    )
    assert "'off' was said for" in ran(yards.good(1), "--broker", broker.url, "--fast").output
    assert "messages published" in " ".join(
        ran(yards.good(1), "--broker", broker.url, "--fast").output.split()
    )


def test_scaled_pace(broker: Broker, yards: Yards, listener: Client) -> None:
    """A node's messages of a minute, at sixty times the pace: a second or so, in proportion."""
    selection = list(Selection(frozenset({"siding"})).of(recorded(yards.good(1))))
    subscriber = Subscriber(listener, len(selection))
    ran(yards.good(1), "--broker", broker.url, "--node", "siding", "--speed", "40")
    assert subscriber.full.wait(WITHIN_S)
    took, wanted = subscriber.at[-1] - subscriber.at[0], (selection[-1].at_us - selection[0].at_us) / 1e6 / 40
    assert wanted - 0.05 <= took < wanted + 2.0
    assert {topic.split("/")[2] for topic, _, _ in subscriber.heard} == {"siding"}


def test_parts(yards: Yards) -> None:
    everything = recorded(yards.good(1))
    supervisor = list(Selection(supervisor=True).of(everything))
    assert {one.topic.split("/")[3] for one in supervisor} >= {"job-order", "yard-map", "node-status"}
    assert {one.topic.split("/")[2] for one in supervisor if "job-order" not in one.topic} == {"yard"}
    node = list(Selection(frozenset({"north"})).of(everything))
    assert not any("job-order" in one.topic for one in node)
    old = everything[0]._replace(retain=True)
    assert list(Selection().of([old])) == []


def test_other_boots_and_counts(yards: Yards) -> None:
    everything = recorded(yards.good(1))
    restamp = Restamp({"north": 77, "siding": 78}, renumber=True)
    seqs: dict[str, int] = {}
    for item in everything:
        said = restamp.publication(item)
        was, now = READER.read(item.topic, item.payload), READER.read(said.topic, said.payload)
        assert now.findings == ()
        assert was.body is not None
        assert now.body is not None
        node = item.topic.split("/")[2]
        if node == "north" and "boot" in was.body:
            assert now.body["boot"] == 77
            assert now.body.get("order_boot", 77) == 77
        if "berth_boot" in was.body:
            assert now.body["berth_boot"] == 78
        if node == "ferry":
            assert {**now.body, "seq": 0} == {**was.body, "seq": 0}
        if "seq" in now.body:
            assert now.body["seq"] == seqs.get(item.topic, 0)
            seqs[item.topic] = now.body["seq"] + 1


@pytest.mark.parametrize(
    "options", [["--boot", "north"], ["--boot", "north=70000"], ["--node", "a", "--supervisor"]]
)
def test_bad_arguments(yards: Yards, options: list[str]) -> None:
    assert CliRunner().invoke(replay, [str(yards.good(1)), *options]).exit_code == 2


def test_a_part_of_no_nodes_is_nothing(yards: Yards) -> None:
    assert list(Selection(frozenset()).of(recorded(yards.good(1)))) == []
