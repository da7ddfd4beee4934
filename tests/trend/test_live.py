"""The same charts while a bus is heard: at a recorder's broker and on the page's model, before anything fails."""

from __future__ import annotations

import time
from pathlib import Path
from random import Random
from typing import Any

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.commands.options.learned import learned_from
from conformance.page.model.yard import Yard
from conformance.recordings.trend.live import LiveTrend
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage
from protocol.site_file import scenario
from tests.recordings.recorder import publisher, record, wait_until_heard
from tests.trend.weeks import Change, changed, items_of, weeks

LEARNED = 12
BOOTS = ("boot", "order_boot", "berth_boot", "shuttle_boot")


def reading(shift: int, boot: int = 0) -> Change:
    """A train that rests `shift` farther than usual; every node in a boot of its own."""

    def change(number: int, node: str, message: str, body: dict[str, Any]) -> None:
        if message == "train-arrival" and "reading" in body:
            body["reading"] = round(200 + shift + Random(number).gauss(0, 1.2))
        for name in BOOTS if boot else ():
            if name in body:
                body[name] = (body[name] + boot) % 65536

    return change


@pytest.fixture(scope="module")
def learned(short_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("learned")
    weeks(short_run, folder, LEARNED, reading(0))
    return folder


def later_runs(short_run: Path, shift: int, runs: int) -> list[Item]:
    """Runs after each other, on one axis of time."""
    items: list[Item] = []
    for number in range(runs):
        begin = items[-1].at_us + 1 if items else 0
        told = changed(items_of(short_run)[1], 50 + number, reading(shift, 1 + number))
        messages = (item for item in told if isinstance(item, RecordedMessage))
        items.extend(item._replace(at_us=begin + item.at_us) for item in messages)
    return items


def hear(trend: LiveTrend, items: list[Item]) -> list[str]:
    """Everything that was told, with the number of runs after which it was."""
    reader, told = BulkReader(), []
    for item in items:
        assert isinstance(item, RecordedMessage)
        trend.take(item, reader.topic(item.topic), reader.read(item.topic, item.payload))
        told += [f"{trend.runs}: {change.figure}" for change in trend.judge()]
    trend.close()
    return [*told, *(f"{trend.runs}: {change.figure}" for change in trend.judge())]


def test_a_shift_is_told_at_the_end_of_the_second_run_that_has_it(short_run: Path, learned: Path) -> None:
    trend = learned_from(learned, scenario())
    told = hear(trend, later_runs(short_run, 60, 3))
    assert trend.runs == 3
    assert told
    assert told[0] == "2: siding: reading, train T-7"
    assert [change.figure for change in trend.standing] == ["siding: reading, train T-7"]
    assert "higher" in trend.standing[0].says


def test_undisturbed_runs_are_told_nothing_of(short_run: Path, learned: Path) -> None:
    trend = learned_from(learned, scenario())
    assert hear(trend, later_runs(short_run, 0, 4)) == []
    assert trend.runs == 4


def test_a_run_whose_beginning_was_not_heard_is_not_judged(short_run: Path, learned: Path) -> None:
    trend = learned_from(learned, scenario())
    items = later_runs(short_run, 60, 3)
    assert hear(trend, items[100 : len(items) // 3 + 200]) == []
    assert trend.runs == 1
    trend = learned_from(learned, scenario())
    hear(trend, items[:300])
    before = trend.runs
    trend.take(items[0], None, BulkReader().read("x", b""))  # type: ignore[arg-type]
    trend.missed()
    trend.close()
    assert list(trend.judge()) == []
    assert trend.runs == before


def test_the_page_shows_what_has_left_its_limits_among_the_troubles(short_run: Path, learned: Path) -> None:
    site = scenario()
    yard = Yard(site, learned_from(learned, site))
    items = later_runs(short_run, 60, 4)
    for item in items:
        assert isinstance(item, RecordedMessage)
        yard.take(item)
    yard.look(items[-1].at_us)
    model = yard.model(items[-1].at_us)
    drifts = [entry for key, entry in model.items() if key.startswith("trouble/siding/drift")]
    assert len(drifts) == 1
    assert drifts[0]["kind"] == "drift"
    assert "the rest reading is" in drifts[0]["says"]
    plain = Yard(site)
    for item in items:
        plain.take(item)  # type: ignore[arg-type]
    assert not [key for key in plain.model(items[-1].at_us) if "drift" in key]


@pytest.mark.wire
def test_a_recorder_warns_while_it_records(short_run: Path, learned: Path, tmp_path: Path) -> None:
    with start_broker() as broker, publisher(broker) as client:
        path = tmp_path / "now.ywrec"
        items = later_runs(short_run, 60, 3)
        process = record(broker, path, "--alarm", str(learned), "--messages", str(len(items)))
        wait_until_heard(client, path)
        for number, item in enumerate(items):
            assert isinstance(item, RecordedMessage)
            client.publish(item.topic, item.payload, 1)
            if number % 40 == 0:
                time.sleep(0.04)  # A thousand a second: more than that the recorder would leave out.
        out, err = process.communicate(timeout=60)
    alarms = [
        line for line in err.splitlines() if "ALARM siding: reading, train T-7: the rest reading is" in line
    ]
    assert alarms
    assert process.returncode == 1, err
    assert "runs judged" in out
