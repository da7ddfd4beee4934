"""Four recorders share one bus on mosquitto: together they have everything, once, in its order."""

from __future__ import annotations

import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.recordings.files import source
from conformance.recordings.record.capture import ConnectionLost
from conformance.recordings.record.merging import MIXED_US, merged
from conformance.recordings.record.shared import SharedSplitter
from protocol.recording import Header, Item, RecordedMessage
from tests.needs import needs
from tests.recordings.recorder import messages, publisher, record
from tests.trend.conftest import Yardwire
from tests.trend.weeks import items_of, written

RECORDERS = 4


def parted(short_run: Path, folder: Path, ahead_s: tuple[float, ...]) -> list[Path]:
    """A run dealt out to recorders of which each has its own clock; what was kept went to each."""
    header, items = items_of(short_run)
    parts: list[list[Item]] = [[] for _ in ahead_s]
    for number, item in enumerate(items):
        if isinstance(item, RecordedMessage):
            parts[number % len(parts)].append(item)
    paths = []
    for number, (part, ahead) in enumerate(zip(parts, ahead_s, strict=True)):
        began = datetime.fromisoformat(header.started) + timedelta(seconds=ahead)
        kept = [RecordedMessage(0, "yw1/harlow-basin/north/node-status", b"kept", 1, True, False)]
        paths.append(written(folder / f"part-{number}.ywrec", dated(header, began), [*kept, *part]))
    return paths


def dated(header: Header, began: datetime) -> Header:
    return replace(header, started=began.isoformat())


def test_clocks_are_brought_together_by_what_the_nodes_say(short_run: Path, tmp_path: Path) -> None:
    paths = parted(short_run, tmp_path, (0.0, 3.7, -0.25, 120.0))
    _, items, told = merged([source((path,)) for path in paths])
    whole = [item for item in items_of(short_run)[1] if isinstance(item, RecordedMessage)]
    got = [item for item in items if isinstance(item, RecordedMessage) and not item.retain]
    assert [offset.us for offset in told.offsets] == pytest.approx([0, 3.7e6, -0.25e6, 120e6], abs=30_000)
    assert all(offset.windows > 2 for offset in told.offsets[1:])
    assert Counter((item.topic, item.payload) for item in got) == Counter(
        (item.topic, item.payload) for item in whole
    )
    assert told.kept_once == RECORDERS - 1
    for topic in {item.topic for item in whole if "job-order" not in item.topic}:
        said = [item.payload for item in whole if item.topic == topic]
        assert [item.payload for item in got if item.topic == topic] == said
    times = [item.at_us for item in got]
    assert times == sorted(times)
    assert max(times) - min(times) == pytest.approx(whole[-1].at_us - whole[0].at_us, abs=2 * MIXED_US)


def test_identical_messages_stay_as_many_as_they_were(short_run: Path, tmp_path: Path) -> None:
    header, items = items_of(short_run)
    one = next(item for item in items if isinstance(item, RecordedMessage) and "job-order" in item.topic)
    parts = [written(tmp_path / f"{number}.ywrec", header, [one]) for number in range(3)]
    _, merged_items, told = merged([source((path,)) for path in parts])
    assert len(list(merged_items)) == 3
    assert told.messages == 3


@needs("mosquitto")
@pytest.mark.slow
def test_four_recorders_on_mosquitto_lose_and_double_nothing(
    short_run: Path, tmp_path: Path, yardwire: Yardwire
) -> None:
    items = [item for item in items_of(short_run)[1] if isinstance(item, RecordedMessage)]
    retained = [
        (f"yw1/harlow-basin/kept-{number}/node-status", f"state {number}".encode()) for number in range(5)
    ]
    with ExitStack() as stack:
        broker = stack.enter_context(start_broker("mosquitto"))
        client = stack.enter_context(publisher(broker))
        for topic, payload in retained:
            client.publish(topic, payload, 1, retain=True).wait_for_publish(10)
        paths = [tmp_path / f"part-{number}.ywrec" for number in range(RECORDERS)]
        running = [record(broker, path, "--share", "crew") for path in paths]
        for path in paths:
            wait_until_it_has(path, len(retained))
        for number, item in enumerate(items):
            info = client.publish(item.topic, item.payload, 1)
            if number % 50 == 0:
                client.publish(item.topic, item.payload, 1).wait_for_publish(10)  # The same, said twice.
                info.wait_for_publish(10)
        client.publish("yw1/harlow-basin/last/x", b"last", 1).wait_for_publish(10)
        wanted = len(items) + len(range(0, len(items), 50)) + 1
        limit = time.monotonic() + 20
        while sum(live(path) for path in paths) < wanted and time.monotonic() < limit:
            time.sleep(0.2)
        for process in running:
            process.terminate()
        for process in running:
            process.communicate(timeout=20)
    shares = [live(path) for path in paths]
    assert sum(shares) == wanted
    assert all(share > wanted / 20 for share in shares), shares
    out = tmp_path / "whole.ywrec"
    done = yardwire("runs", "merge", *map(str, paths), "--out", str(out))
    assert done.returncode == 0, done.stderr
    got = messages(out)
    assert Counter((m.topic, m.payload) for m in got if m.retain) == Counter(retained)
    said = Counter((item.topic, item.payload) for item in items)
    said.update((item.topic, item.payload) for item in items[::50])
    said[("yw1/harlow-basin/last/x", b"last")] += 1
    assert Counter((m.topic, m.payload) for m in got if not m.retain) == said


def live(path: Path) -> int:
    return sum(not item.retain for item in messages(path))


def wait_until_it_has(path: Path, number: int) -> None:
    limit = time.monotonic() + 20
    while time.monotonic() < limit:
        if path.exists() and path.stat().st_size > 200 and len(messages(path)) >= number:
            return
        time.sleep(0.1)
    raise AssertionError(f"{path.name} does not have what the broker kept")


@pytest.mark.parametrize("body", [b"", b"\x00\x01", b"\x00\x01\x00"])
def test_an_answer_without_a_reason_is_no_leave_to_listen(body: bytes) -> None:
    """MQTT 5, section 3.9.3: a reason for each filter stands at the end."""
    with pytest.raises(ConnectionLost, match="cut short"):
        SharedSplitter(lambda _message: None).feed(bytes([0x90, len(body)]) + body, 0)
