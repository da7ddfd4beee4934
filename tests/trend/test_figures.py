"""The figures of a run are what its messages say: against the same looked up one by one, and after planted faults."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from conformance.recordings.trend.figure import Key
from conformance.recordings.trend.run_figures import figures_of
from protocol.bulk_reading import BulkReader
from protocol.recording import EventKind, Item, RecordedEvent, RecordedMessage
from tests.trend.weeks import changed, items_of

Said = tuple[int, str, str, dict[str, Any]]


def said(items: list[Item]) -> list[Said]:
    """Time, node, message and body of all."""
    reader, found = BulkReader(), []
    for item in items:
        if isinstance(item, RecordedMessage):
            topic, body = reader.topic(item.topic), reader.decode(item.topic, item.payload)
            assert topic is not None
            assert body is not None
            found.append((item.at_us, topic.node, topic.message, body))
    return found


def test_the_duration_of_a_step_is_from_its_first_report_to_that_of_the_next(one_run: Path) -> None:
    items = items_of(one_run)[1]
    figures = figures_of(items)
    reports = [body for _, node, message, body in said(items) if (node, message) == ("north", "job-report")]
    order = next(
        b for _, n, m, b in said(items) if n == "north" and m == "job-order" and b["act"] == "transfer"
    )
    of_job = [body for body in reports if body.get("id") == order["id"]]
    first = {
        step: next(b["uptime"] for b in of_job if b.get("step") == step)
        for step in ("lift", "travel-to-drop")
    }
    lift = Key("north", "step", "transfer", "lift", f"{order['from']}/{order['from_slot']}")
    assert figures[lift] == first["travel-to-drop"] - first["lift"]
    done = next(body["uptime"] for body in of_job if body["state"] == "done")
    clear = next(body["uptime"] for body in of_job if body.get("step") == "clear")
    # Every transfer of this crane ends on the deck: the figure is the mean of them.
    found = figures[Key("north", "step", "transfer", "clear", f"{order['to']}/{order['to_slot']}")]
    assert found == pytest.approx(done - clear, abs=10)


def test_a_train_at_rest_counts_once_whatever_its_heartbeats(one_run: Path) -> None:
    items = items_of(one_run)[1]
    figures = figures_of(items)
    at_rest = [b for _, n, m, b in said(items) if m == "train-arrival" and b["state"] == "at-rest"]
    assert len(at_rest) > 3
    for figure in ("reading", "arm_to_end", "ignored"):
        assert figures[Key("siding", figure, train="T-7")] == at_rest[0][figure]


def test_answers_are_measured_from_the_order_as_it_was_first_heard(one_run: Path) -> None:
    items = items_of(one_run)[1]
    waiting: dict[tuple[str, object], int] = {}
    took: dict[str, list[int]] = {}
    for at_us, node, message, body in said(items):
        key = (node, body.get("id", body.get("token")))
        if message == "job-order" and body["act"] != "hold":
            waiting.setdefault(key, at_us)
        elif message == "job-report" and key in waiting:
            took.setdefault(node, []).append(round((at_us - waiting.pop(key)) / 1000))
    figures = figures_of(items)
    for node in ("north", "south", "siding", "ferry"):
        assert figures[Key(node, "answer")] == pytest.approx(sum(took[node]) / len(took[node]))


def test_losses_invalid_messages_and_new_connections_are_counted(one_run: Path) -> None:
    items = items_of(one_run)[1]
    usual = figures_of(items)
    assert {usual[Key(node, figure)] for node in ("north", "south") for figure in ("lost", "invalid")} == {
        0.0
    }
    crane = [
        place
        for place, item in enumerate(items)
        if isinstance(item, RecordedMessage) and "north/crane" in item.topic
    ]
    gone = {crane[20], crane[21], crane[30]}
    broken = items[crane[40]]
    assert isinstance(broken, RecordedMessage)
    bent = [item for place, item in enumerate(items) if place not in gone]
    bent[bent.index(broken)] = broken._replace(payload=b"\xff")
    figures = figures_of(bent)
    assert figures[Key("north", "lost")] == 4.0, "three left out, and the one that cannot be read has no seq"
    assert figures[Key("north", "invalid")] == 1.0
    assert figures[Key("south", "lost")] == 0.0

    def linked(number: int, node: str, message: str, body: dict[str, Any]) -> None:
        if node == "ferry" and message == "node-status" and body["uptime"] > 20_000:
            body["link"] += 1

    assert figures_of(changed(items, 0, linked))[Key("ferry", "reconnects")] == 1.0


def test_what_the_recorder_missed_the_node_did_not_lose(one_run: Path) -> None:
    items = items_of(one_run)[1]
    middle = len(items) // 2
    begin = items[middle].at_us
    lost = RecordedEvent(begin, EventKind.DISCONNECTED, "gone")
    back = RecordedEvent(begin + 9_000_000, EventKind.CONNECTED, "back")
    later = [item for item in items[middle:] if item.at_us > begin + 9_000_000]
    figures = figures_of([*items[:middle], lost, back, *later])
    assert {value for key, value in figures.items() if key.figure == "lost"} == {0.0}


def test_a_step_into_which_a_hold_fell_has_no_duration(one_run: Path) -> None:
    items = items_of(one_run)[1]

    def held(number: int, node: str, message: str, body: dict[str, Any]) -> None:
        if node == "north" and message == "crane-status" and body["mode"] == "working":
            body["held"] = True

    figures = figures_of(changed(items, 0, held))
    assert not [
        key for key in figures if key.node == "north" and key.act == "transfer" and key.step == "lift"
    ]
    assert [key for key in figures if key.node == "south" and key.step == "lift"]
