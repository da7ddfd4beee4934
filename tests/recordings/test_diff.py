"""Two recordings compared: nothing between good runs, and ten faults found where they began."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from conformance.commands.diff import diff
from conformance.recordings.diff.difference import Comparison
from conformance.recordings.diff.differences import compare
from conformance.recordings.diff.event_log import Names
from conformance.recordings.diff.events import event_log_of
from conformance.recordings.diff.page import diff_page
from conformance.recordings.diff.tolerance import Tolerance
from examples.faults import FAULTS
from examples.yard_on_virtual_time import GOALS, run
from protocol.recording import (
    EventKind,
    Header,
    Item,
    RecordedEvent,
    RecordedMessage,
    RecordingReader,
    RecordingWriter,
)
from protocol.site_file import scenario, scenario_text
from protocol.trouble import Trouble
from reference_node.supervisor.plan.goals import Depart
from tests.recordings.conftest import Yards
from tests.rules_over_messages.bent import good_tale
from tests.sample import sampled

NEAR = 3
"""Messages that the first divergence may lie from where the fault began."""
GOOD = (1, 2, 3)


def items_of(path: Path) -> list[Item]:
    with path.open("rb") as file:
        return list(RecordingReader(file))


def compared(good: list[list[Item]], other: list[Item], *, site: bool = True) -> Comparison:
    names = Names()
    runs = [event_log_of(str(number), items, names) for number, items in enumerate([*good, other])]
    return compare(runs[:-1], runs[-1], Tolerance(scenario() if site else None))


def ran(*arguments: str | Path) -> Result:
    return CliRunner().invoke(diff, [str(argument) for argument in arguments], standalone_mode=False)


@pytest.mark.parametrize("seed", [4, 5, 6, 7, 9])
def test_good_runs_differ_in_nothing_but_noise(yards: Yards, seed: int) -> None:
    """Another seed: other boots, ids, tokens, latencies, places where cranes stand, readings."""
    one, other = items_of(yards.good(1)), items_of(yards.good(seed))
    found = compared([one], other)
    assert [(one.kind, one.words, one.detail) for one in found.differences] == []
    assert found.matched > 150


def test_what_good_runs_differ_in_is_learned_and_no_difference() -> None:
    """A crane that is held twice before the work begins, as it was in some good run."""
    usual, rare, other = good_tale(), good_tale(), good_tale()
    for tale, token in ((rare, 5), (other, 7)):
        tale.after(tale.first("south", "job-order", act="hold"), token=token)
    assert compared([usual.items()], other.items()).differences != []
    found = compared([usual.items(), rare.items()], other.items())
    assert [(one.kind, one.words, one.detail) for one in found.differences] == []


@pytest.mark.parametrize("seed", sampled([7, 11], [7]))
@pytest.mark.parametrize("fault", FAULTS)
def test_the_first_divergence_is_where_the_fault_began(yards: Yards, fault: str, seed: int) -> None:
    path, began = yards.bad(fault, seed)
    bad = items_of(path)
    found = compared([items_of(yards.good(number)) for number in GOOD], bad)
    first = found.first
    assert first is not None
    times = [item.at_us for item in bad if isinstance(item, RecordedMessage)]
    shown = first.number or 1 + sum(at < first.at_us for at in times)
    due = 1 + sum(at < first.at_us for at in times)
    assert min(abs(shown - began.number), abs(due - began.number)) <= NEAR, (began, first)


def test_the_three_faults_of_the_guide_are_named(yards: Yards) -> None:
    good = [items_of(yards.good(number)) for number in GOOD]
    magnet = compared(good, items_of(yards.bad("weak-magnet", 7)[0])).first
    assert magnet is not None
    assert (magnet.sequence, magnet.kind) == ("siding", "slower")
    assert "arming-passed" in magnet.words
    items = items_of(yards.bad("slow-axis", 7)[0])
    assert {one.axis for one in compared(good, items, site=False).differences} == {"1"}
    slow = compared(good, items)
    assert {(one.sequence, one.kind, one.axis) for one in slow.differences} == {("north", "slower", "x")}
    assert all(0.025 < one.part < 0.04 for one in slow.differences)
    again = compared(good, items_of(yards.bad("reissued-job", 7)[0])).first
    assert again is not None
    assert (again.kind, again.words) == ("extra", "north: order transfer C-101 stack-n 1 ferry 0")
    assert any("done" in told for told in again.led_to)


def test_a_scatter_of_good_runs_excuses_what_lies_within(yards: Yards) -> None:
    """Five good runs with a coil that takes 0 to 400 ms longer; one within that, and one far outside."""

    def stretched(ms: int) -> list[Item]:
        tale = good_tale()
        grip = tale.first("north", "job-report", step="grip")
        late = [one for one in tale.said if one.at_us > grip.at_us]
        for one in late:
            one.at_us += ms * 1000
            if "uptime" in one.body:
                one.body["uptime"] += ms
        return tale.items()

    good = [stretched(ms) for ms in (0, 100, 200, 300, 400)]
    assert compared(good, stretched(250)).differences == []
    slow = compared(good, stretched(1500))
    assert {one.kind for one in slow.differences} == {"slower"}
    assert any("good runs differ" in one.detail for one in slow.differences)
    alone = compared(good[:1], stretched(250))
    assert {one.kind for one in alone.differences} == {"slower"}, "one good run knows of no scatter"


def test_a_reading_within_the_tolerance_of_the_site_file_is_none(yards: Yards) -> None:
    def read(reading: int) -> list[Item]:
        tale = good_tale()
        for one in tale.said:
            if "reading" in one.body:
                one.body["reading"] = reading
        return tale.items()

    assert compared([read(178)], read(179)).differences == []
    found = compared([read(178)], read(260)).differences
    assert {one.kind for one in found} == {"changed"}
    assert "reading 260 instead of 178" in found[0].detail
    assert compared([read(178)], read(179), site=False).differences != []


def test_missing_extra_and_order(tmp_path: Path) -> None:
    tale = good_tale()
    whole = tale.items()
    tale.drop(lambda one: one.node == "north" and one.body.get("step") == "clear")
    less = tale.items()
    assert [one.kind for one in compared([whole], less).differences] == ["missing"] * 2
    assert [one.kind for one in compared([less], whole).differences] == ["extra"] * 2
    other = tmp_path / "other.ywrec"
    run(other, 4, goals=(GOALS[0], Depart("siding")))
    found = compared([whole], items_of(other))
    assert any(one.kind == "missing" and "C-102" in one.words for one in found.differences)


def test_a_depart_before_the_crane_is_done_is_another_order() -> None:
    tale = good_tale()
    whole = tale.items()
    depart = tale.first("siding", "job-order", act="depart")
    tale.said.remove(depart)
    done = tale.last("ferry", "job-report", act="run", state="done")
    run_order = tale.last("ferry", "job-order", act="run")
    south = tale.last("south", "job-order", act="transfer")
    assert done.at_us < south.at_us
    tale.said.remove(south)
    south.at_us = run_order.at_us
    tale.said.insert(tale.said.index(run_order) + 1, south)
    tale.said.append(depart)
    found = compared([whole], tale.items())
    assert any(one.kind == "order" and "given before" in one.detail for one in found.differences)


@pytest.mark.parametrize("tied", ["good", "other"])
def test_an_order_that_bears_the_time_of_the_end_of_a_job_came_at_once(tied: str) -> None:
    """Messages that a recorder reads together bear one time."""
    tale = good_tale()
    whole = tale.items()
    order = tale.first("ferry", "job-order", act="run")
    before = (one for one in tale.where("north", "job-report", state="done") if one.at_us <= order.at_us)
    order.at_us = max(before, key=lambda one: one.at_us).at_us
    runs = [whole, tale.items()] if tied == "other" else [tale.items(), whole]
    assert compared(runs[:1], runs[1]).differences == []


def test_what_was_lost_on_the_way_is_noted_and_no_difference() -> None:
    tale = good_tale()
    whole = tale.items()
    tale.said.remove(tale.first("siding", "train-arrival", state="armed"))
    found = compared([whole], tale.items())
    assert found.differences == []
    assert any("where messages were lost" in note for note in found.notes)


def test_a_run_that_was_stopped_early_misses_only_what_was_due() -> None:
    whole = good_tale().items()
    half = [item for item in whole if item.at_us < 30e6]
    assert compared([whole], half).differences == []


def test_reconnects_wraps_and_repeats_are_noise() -> None:
    tale = good_tale()
    whole = tale.items()
    for one in tale.said:
        for name in {"uptime", "deadline"} & one.body.keys():
            one.body[name] = (one.body[name] + (1 << 32) - 30_000) % (1 << 32)
    items = tale.items()
    middle = len(items) // 2
    items = [*items[:middle], *items[middle - 8 : middle], *items[middle:]]
    assert compared([whole], items).differences == []
    items.insert(5, RecordedEvent(0, EventKind.DISCONNECTED, ""))
    assert compared([whole], items).differences == []


# ------------------------------------------------------------------------------------------ the command
@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text(), encoding="utf-8")
    return path


def test_exit_codes_and_words(yards: Yards, site_file: Path) -> None:
    good, bad = yards.good(1), yards.bad("reissued-job", 7)[0]
    same = ran("--site", site_file, good, yards.good(2))
    assert same.return_value == 0
    assert same.output.startswith("No difference")
    different = ran("--site", site_file, good, bad)
    assert different.return_value == 1
    assert "First divergence" in different.output
    assert "order transfer C-101" in different.output
    assert all(len(line) <= 80 for line in different.output.splitlines())


def test_several_good_runs(yards: Yards, site_file: Path) -> None:
    goods = [yards.good(number) for number in GOOD]
    result = ran("--site", site_file, "--good", *goods, "--", yards.bad("slow-axis", 7)[0])
    assert result.return_value == 1
    assert "axis x had the longest way" in result.output


def test_json(yards: Yards) -> None:
    result = ran("--json", yards.good(1), yards.bad("bad-message", 7)[0])
    told: dict[str, Any] = json.loads(result.output)
    assert told["first"]["what"] in [one["what"] for one in told["differences"]]
    assert any("bad-message" in one["what"] for one in told["differences"])


def test_page_is_whole_and_safe(yards: Yards, tmp_path: Path, site_file: Path) -> None:
    page = tmp_path / "diff.html"
    ran("--site", site_file, "--html", page, yards.good(1), yards.bad("missed-pick", 7)[0])
    text = page.read_text(encoding="utf-8")
    assert "pick-missed" in text
    assert "http" not in text.replace("http-equiv", ""), "a page needs no network"
    tale = good_tale()
    whole = tale.items()
    tale.last("north", "job-report").body["box"] = "x"
    evil = compared([whole], tale.items())
    evil.other.name = "<script>alert(1)</script>"
    assert "<script>" not in diff_page(evil)


@pytest.mark.parametrize("arguments", [["one"], ["a", "b", "c"], []])
def test_bad_arguments(arguments: list[str]) -> None:
    assert CliRunner().invoke(diff, arguments).exit_code == 2


def written(path: Path, items: Sequence[Item], *, end: bool = True) -> Path:
    with path.open("wb") as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "test", "test"))
        for item in items:
            if isinstance(item, RecordedMessage):
                writer.message(item)
        writer.flush()
        if end:
            writer.end(max((item.at_us for item in items), default=0))
    return path


def test_a_recording_that_ends_early_is_not_no_difference(tmp_path: Path) -> None:
    """Cut off by a killed recorder, in the middle of an item, or stopped by hand: never exit 0."""
    whole = [item for item in good_tale().items() if isinstance(item, RecordedMessage)]
    good = written(tmp_path / "good.ywrec", whole)
    half = written(tmp_path / "half.ywrec", whole[: len(whole) // 2])
    killed = written(tmp_path / "killed.ywrec", whole[: len(whole) // 2], end=False)
    broken = tmp_path / "broken.ywrec"
    broken.write_bytes(good.read_bytes()[: good.stat().st_size * 6 // 10])
    for other in (half, killed, broken):
        ended = ran(good, other)
        assert ended.return_value == 1, ended.output
        told = " ".join(ended.output.split())  # Where a line breaks depends on how long the paths are.
        assert "No difference" not in told
        assert "Not compared to the end: compared " in told
        assert "nothing is said of the rest" in told
        told = json.loads(ran(good, other, "--json").output)
        assert (told["complete"], told["differences"]) == (False, [])
        assert told["compared"] < told["of"]
        page = tmp_path / "page.html"
        ran(good, other, "--html", page)
        assert "No difference" not in page.read_text()
        assert "Not compared to the end" in page.read_text()
    assert ran(good, good).return_value == 0


def test_a_file_that_breaks_off_behind_its_last_deed_is_not_whole(tmp_path: Path) -> None:
    whole = [item for item in good_tale().items() if isinstance(item, RecordedMessage)]
    good = written(tmp_path / "good.ywrec", whole)
    cut = tmp_path / "cut.ywrec"
    cut.write_bytes(good.read_bytes()[:-1])
    ended = ran(good, cut)
    assert ended.return_value == 1, ended.output
    assert "a file breaks off" in ended.output


def test_nothing_against_nothing_is_no_comparison(tmp_path: Path) -> None:
    one, other = written(tmp_path / "one.ywrec", []), written(tmp_path / "other.ywrec", [])
    ended = ran(one, other)
    assert isinstance(ended.exception, Trouble)
    assert "there is nothing to compare" in str(ended.exception)
    good = written(tmp_path / "good.ywrec", good_tale().items())
    ended = ran(good, other)
    assert ended.return_value == 1, ended.output
    assert "No difference" not in ended.output
