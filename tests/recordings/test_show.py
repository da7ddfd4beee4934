"""`yardwire show`: what is asked for, and nothing else; the same in DuckDB."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import duckdb
import pytest
from click.testing import CliRunner, Result

from conformance.commands.show import show
from conformance.recordings.message_summary import summaries
from conformance.recordings.show.filters import FieldTest, job_id
from conformance.recordings.show.lanes import Lanes
from conformance.recordings.show.statistics import Latency, Statistics
from conformance.recordings.wording import short_id
from protocol.recording import Header, Item, RecordedEvent, RecordedMessage, RecordingReader, RecordingWriter
from protocol.trouble import Trouble
from tests.recordings.conftest import Yards
from tests.rules_over_messages.bent import good_tale


def ran(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(show, [str(argument) for argument in arguments], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result


def rows(*arguments: str | Path) -> list[dict[str, Any]]:
    return [
        json.loads(line) for line in ran("--jsonl", *arguments).output.splitlines() if line.startswith("{")
    ]


def messages_of(path: Path) -> list[RecordedMessage]:
    with path.open("rb") as file:
        return [item for item in RecordingReader(file) if isinstance(item, RecordedMessage)]


def written(path: Path, items: list[Item]) -> Path:
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-05-02T10:00:00+00:00", "here", "0"))
        for item in items:
            if isinstance(item, RecordedMessage):
                writer.message(item)
        writer.end(items[-1].at_us)
    return path


def test_one_line_a_message_in_80_columns(yards: Yards) -> None:
    path = yards.good(1)
    lines = ran(path).output.splitlines()
    told = [line for line in lines if "the recorder connected" not in line]
    assert len(told) == len(messages_of(path)) + 2
    assert all(len(line) <= 80 for line in lines)


def test_filters(yards: Yards) -> None:
    path = yards.good(1)
    everything = rows(path)
    north = rows(path, "--node", "north")
    assert north == [row for row in everything if row["node"] == "north"]
    some = rows(path, "--message", "fault", "--message", "job-report", "--since", "20", "--until", "30")
    assert some == [
        row
        for row in everything
        if row["message"] in ("fault", "job-report") and 20_000 <= row["at_us"] // 1000 <= 30_000
    ]
    order = next(row for row in everything if row["body"] and row["body"].get("act") == "transfer")
    id_ = order["body"]["id"]
    of_job = [
        row for row in everything if row["body"] and id_ in (row["body"].get(n) for n in ("id", "job", "ref"))
    ]
    assert rows(path, "--job", str(id_)) == of_job
    assert rows(path, "--job", short_id(id_)) == of_job
    assert rows(path, "--limit", "7") == everything[:7]
    assert rows(path, "--retained") == []
    assert rows(path, "--live") == everything
    assert rows(path, "--invalid") == []


def test_a_filter_that_nothing_fits_says_so_and_who_is_in_the_recording(yards: Yards) -> None:
    told = ran(yards.good(1), "--node", "nobody").stdout.splitlines()
    assert told[1:] == ["No message fits. Nodes that speak in it: ferry, north, siding, south, yard"]


def test_comparing_fields(yards: Yards) -> None:
    path = yards.good(1)
    everything = [row for row in rows(path) if row["body"]]
    far = rows(path, "--where", "@.axes[0][0] > 400 && @.load == 'box'")
    assert far
    assert far == [
        r for r in everything if r["body"].get("axes", [[0]])[0][0] > 400 and r["body"]["load"] == "box"
    ]
    assert rows(path, "--where", "@.step") == [row for row in everything if "step" in row["body"]]


def test_what_is_no_filter() -> None:
    for text in ("@.x ==", "]", "1 1"):
        with pytest.raises(Trouble, match="invalid filter"):
            FieldTest(text)
    with pytest.raises(Trouble, match="not an order id"):
        job_id("north")


def test_invalid_messages_say_why(tmp_path: Path) -> None:
    items = good_tale().items()
    first = next(item for item in items if isinstance(item, RecordedMessage))
    path = written(
        tmp_path / "bad.ywrec", [*items, first._replace(payload=b"\xa1\x00", at_us=items[-1].at_us)]
    )
    told = ran(path, "--invalid").output
    assert len([line for line in told.splitlines() if "!" in line]) == 1
    assert "ENC-" in told


def test_lanes_of_a_job(yards: Yards) -> None:
    path = yards.good(1)
    order = next(row for row in rows(path) if row["body"] and row["body"].get("act") == "transfer")
    drawn = ran(path, "--job", str(order["body"]["id"]), "--lanes").output.splitlines()
    assert drawn[1].split() == ["s", "yard", "north"]
    assert any("  o--" in line and ">" in line for line in drawn)
    assert any("  <--" in line and "o " in line for line in drawn)


def test_lanes_have_a_lane_a_node_and_cut_nothing(yards: Yards) -> None:
    path = yards.good(1)
    drawn = ran(path, "--lanes").output.splitlines()
    assert drawn[1].split() == ["s", "yard", "ferry", "north", "siding", "south"]
    assert all(len(line) <= 80 for line in drawn)
    said = " ".join(line[11 + 5 * 7 :].strip() for line in drawn[2:])
    assert said == " ".join(line.words for _, line in summaries(messages_of(path)))


def test_many_nodes_have_numbers_and_who_has_which() -> None:
    names = [f"node-{number:02}" for number in range(20)]
    drawn = Lanes(names, 80)
    legend = " ".join(list(drawn.heading())[:-1])
    assert all(f"{number} {name}" in legend for number, name in enumerate(names, 1))


def test_a_loss_of_connection_stands_in_the_list_with_the_time_of_day(tmp_path: Path) -> None:
    first, *others = [item for item in good_tale().items() if isinstance(item, RecordedMessage)]
    path = tmp_path / "run.ywrec"
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-05-02T10:00:00+00:00", "here", "0"))
        writer.message(first)
        writer.event(RecordedEvent(3_500_000, "disconnected", ""))
        writer.event(RecordedEvent(4_000_000, "connected", ""))
        for item in others:
            writer.message(item._replace(at_us=item.at_us + 5_000_000))
        writer.event(RecordedEvent(90_000_000, "disconnected", ""))
        writer.end(90_000_000)
    told = [line for line in ran(path).output.splitlines() if "the recorder" in line]
    assert ["10:00:03" in told[0], "10:00:04" in told[1]] == [True, True]
    assert len(told) == 2, "leaving at the end is no loss"
    assert json.loads(ran(path, "--stats", "--json").output)["losses_of_connection"] == 1


def test_a_field_that_no_message_has_is_said(yards: Yards) -> None:
    path = yards.good(1)
    with pytest.raises(Trouble, match=r"no message has a field 'reson'.*Did you mean reason"):
        ran(path, "--where", "@.reson == 'busy'")
    assert "No message fits" in ran(path, "--where", "@.reason == 'busy' && @['place'] == 'x'").stdout


def test_files_that_do_not_continue_each_other_are_no_recording(yards: Yards) -> None:
    first, second = yards.good(1), yards.good(2)
    with pytest.raises(Trouble, match="does not continue"):
        ran(first, second)
    assert len(rows("--together", first, second)) == len(rows(first)) + len(rows(second))


def test_standard_input_is_a_recording_and_a_reader_may_leave(yards: Yards) -> None:
    path = yards.good(1)
    shown = shell(f"cat {path} | {COMMAND} show - --jsonl")
    assert [json.loads(line) for line in shown.stdout.splitlines()] == rows(path)
    head = shell(f"{COMMAND} show {path} | head -1")
    assert (head.returncode, head.stderr) == (0, "")
    assert len(head.stdout.splitlines()) == 1
    same = shell(f"cat {path} | {COMMAND} diff - {path}")
    assert (same.returncode, "No difference" in same.stdout) == (0, True)


def shell(line: str) -> subprocess.CompletedProcess[str]:
    command = ["bash", "-c", f"set -o pipefail; {line}"]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


COMMAND = f"{sys.executable} -m conformance.commands.main"


def test_json_on_standard_output_is_what_the_file_has(yards: Yards, tmp_path: Path) -> None:
    path, out = yards.good(1), tmp_path / "run.jsonl"
    ran(path, "--export", out)
    assert [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()] == rows(path)


def test_statistics_against_figures_counted_by_hand(yards: Yards) -> None:
    path = yards.good(1)
    told = json.loads(ran(path, "--stats", "--json").output)
    everything = rows(path)
    assert told["messages"] == len(everything)
    assert told["invalid"] == 0
    north = told["nodes"]["north"]["topics"]["crane-status"]
    statuses = [row for row in everything if row["node"] == "north" and row["message"] == "crane-status"]
    assert north["messages"] == len(statuses)
    ups = [row["body"]["uptime"] for row in statuses]
    assert north["longest_gap_ms"] == max(b - a for a, b in pairwise(ups))
    assert north["largest"] == max(len(row["topic"]) + len(row["hex"]) // 2 for row in statuses)
    assert north["most"] == 121
    asked: dict[int, int] = {}
    latencies = []
    for row in everything:
        body = row["body"]
        if row["node"] == "north" and row["message"] == "job-order" and body["act"] == "home":
            asked.setdefault(body["id"], row["at_us"] // 1000)
        elif row["node"] == "north" and row["message"] == "job-report" and body.get("id") in asked:
            latencies.append(row["at_us"] // 1000 - asked.pop(body["id"]))
    home = next(one for one in told["order_to_report_ms"] if (one["node"], one["act"]) == ("north", "home"))
    assert (home["orders"], home["longest"]) == (len(latencies), max(latencies))
    assert "order to first report" in ran(path, "--stats").output


def test_percentiles_by_nearest_rank() -> None:
    """The example of the nearest-rank method in common textbooks: 15 20 35 40 50."""
    latency = Latency()
    for ms in (15, 20, 35, 40, 50):
        latency.add(ms)
    assert [latency.part(share) for share in (0.05, 0.3, 0.4, 0.5, 1.0)] == [15, 20, 20, 35, 50]


def test_boots_wraps_and_losses_are_counted() -> None:
    tale = good_tale()
    for one in tale.said:
        if "uptime" in one.body and one.node == "north":
            one.body["uptime"] = (one.body["uptime"] + (1 << 32) - 30_000) % (1 << 32)
    tale.said.remove(tale.last("siding", "fault"))
    last = list(tale.where("siding", "fault"))[-3]
    tale.said.remove(last)
    for one in list(tale.where("ferry", "shuttle-status"))[-4:]:
        one.body["boot"] = (one.body["boot"] + 1) % 65536
    found = Statistics()
    for item, line in summaries(tale.items()):
        found.take(item, line)
    assert found.nodes["north"].wraps == 1
    assert found.nodes["south"].wraps == 0
    assert found.nodes["siding"].topics["fault"].lost == 1
    assert len(found.nodes["ferry"].boots) == 2


def test_pages(yards: Yards, tmp_path: Path) -> None:
    path = yards.good(1)
    ran(path, "--html", tmp_path / "story.html")
    ran(path, "--stats", "--html", tmp_path / "figures.html")
    assert "C-101" in (tmp_path / "story.html").read_text(encoding="utf-8")
    figures = (tmp_path / "figures.html").read_text(encoding="utf-8")
    assert figures.count("<rect") > 60
    assert "http" not in figures


def test_duckdb_reads_the_parquet(yards: Yards, tmp_path: Path) -> None:
    """An independent reader of Parquet finds every message and every byte."""
    path, out = yards.good(1), tmp_path / "run.parquet"
    ran(path, "--export", out)
    recorded = messages_of(path)
    with duckdb.connect() as database:
        got = database.execute(
            f"select number, at_us, topic, qos, retained, dup, hex from '{out}' order by number"
        ).fetchall()
        held = database.execute(
            f"select count(*) from '{out}' where json_extract(body, '$.load') = '\"box\"' and message = 'crane-status'"
        ).fetchall()
    with duckdb.connect() as database:
        moments = database.execute(f"select time from '{out}' order by number limit 1").fetchall()
    began = datetime(2026, 5, 2, 10, tzinfo=UTC)
    assert moments[0][0] == began + timedelta(microseconds=recorded[0].at_us)
    assert got == [
        (i, m.at_us, m.topic, m.qos, m.retain, m.dup, m.payload.hex()) for i, m in enumerate(recorded, 1)
    ]
    assert held[0][0] == len(rows(path, "--message", "crane-status", "--where", "@.load == 'box'"))


def test_csv_and_json_lines(yards: Yards, tmp_path: Path) -> None:
    path = yards.good(1)
    ran(path, "--export", tmp_path / "run.csv")
    ran(path, "--export", tmp_path / "run.jsonl", "--node", "siding")
    with (tmp_path / "run.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    assert [row["hex"] for row in table] == [one.payload.hex() for one in messages_of(path)]
    lines = [json.loads(line) for line in (tmp_path / "run.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {line["node"] for line in lines} == {"siding"}
    assert lines[0]["time"].startswith("2026-05-02T10:00:00")
    with pytest.raises(Trouble, match="not an export format"):
        ran(path, "--export", tmp_path / "run.xml")


def test_what_is_no_recording(tmp_path: Path) -> None:
    for name, content in (("text", b"hello"), ("empty", b""), ("zstd", b"\x28\xb5\x2f\xfdrubbish")):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(Trouble):
            ran(path)
    with pytest.raises(Trouble, match="cannot be opened"):
        ran(tmp_path / "nowhere")
    with pytest.raises(Trouble, match="no message"):
        ran(tmp_path / "text", "--message", "crane")


def test_a_recording_that_breaks_off_says_so(yards: Yards, tmp_path: Path) -> None:
    whole = yards.good(1).read_bytes()
    path = tmp_path / "cut.ywrec"
    path.write_bytes(whole[:-5])
    result = ran(path)
    assert "breaks off at byte" in result.stderr
