"""A layout that is switched off between its runs: what that does is no difference, and what went wrong is one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from conformance.commands.diff import diff
from conformance.recordings.diff.event_log import EventLog, Names
from conformance.recordings.diff.events import event_log_of
from conformance.recordings.runs.index import index_of
from examples.faults import FAULTS
from tests.recordings.evenings import evenings
from tests.rules_over_messages.bent import Said, Tale, good_tale

EVENINGS, SEED = 8, 23
PLANTED = {3: "missed-pick", 6: "reset-in-transfer"}


@pytest.mark.slow
@pytest.mark.parametrize("own_files", [False, pytest.param(True, marks=pytest.mark.exhaustive)])
def test_only_what_was_planted_is_different(own_files: bool, tmp_path: Path) -> None:
    """Main switch or one after the other, properly or by taking the power, recorder on or off: of neither a word."""
    faults = {evening: FAULTS[kind] for evening, kind in PLANTED.items()}
    evenings(tmp_path, EVENINGS, SEED, faults, own_files=own_files)
    runs = index_of(tmp_path).runs
    assert len(runs) == EVENINGS
    assert [bool(run.facts.resets) for run in runs] == [
        PLANTED.get(evening) == "reset-in-transfer" for evening in range(EVENINGS)
    ]
    told = json.loads(CliRunner().invoke(diff, [str(tmp_path), "--json"], standalone_mode=False).stdout)
    different = {row["name"] for group in told["groups"] for row in group["runs"]}
    assert different == {str(runs[evening].name) for evening in PLANTED}
    assert told["not_to_the_end"] == []


def log_of(tale: Tale) -> EventLog:
    return event_log_of("run", tale.items(), Names())


def words(log: EventLog, node: str) -> list[tuple[object, ...]]:
    return [log.names.meanings[meaning] for meaning in log.sequences[node].meanings]


def off(tale: Tale, node: str, at_us: int) -> None:
    """The node is switched off properly."""
    on = next(tale.where(node, "node-status"))
    body = {name: on.body[name] for name in ("boot", "link")} | {"state": "off"}
    tale.drop(lambda one: one.node == node and one.message != "job-order" and one.at_us > at_us)
    tale.said.append(Said(at_us, node, "node-status", "", body, on.encoding))
    tale.said.sort(key=lambda one: one.at_us)


def last_work_us(tale: Tale) -> int:
    return max(one.at_us for one in tale.said if one.message in ("job-order", "job-report"))


def test_a_node_that_goes_when_all_work_is_done_was_switched_off() -> None:
    whole = log_of(good_tale())
    for at in (50_000, 400_000):
        tale = good_tale()
        off(tale, "north", last_work_us(tale) + at)
        assert words(log_of(tale), "north") == words(whole, "north")


def test_a_node_that_goes_while_there_is_work_has_gone() -> None:
    tale = good_tale()
    off(tale, "ferry", last_work_us(tale) - 100_000)
    assert ("node-status", "off") in words(log_of(tale), "ferry")


def test_a_node_that_comes_back_while_the_supervisor_is_there_was_reset() -> None:
    tale = good_tale()
    work_us = last_work_us(tale)
    tale.drop(lambda one: one.node == "north" and one.at_us > work_us + 50_000)
    on = next(tale.where("north", "node-status"))
    there = [one for one in tale.said if one.node == "yard" and one.message == "yard-map"][-1]
    there_us = work_us + 2_000_000
    later = there.body | {"seq": there.body["seq"] + 1, "uptime": there.body["uptime"] + 2000}
    tale.said.append(Said(there_us, "yard", "yard-map", there.place, later, there.encoding))
    gone = {name: on.body[name] for name in ("boot", "link")} | {"state": "off"}
    back = on.body | {"boot": on.body["boot"] + 1, "reset": "brown-out"}
    tale.said.append(Said(there_us - 20_000, "north", "node-status", "", gone, on.encoding))
    tale.said.append(Said(there_us - 10_000, "north", "node-status", "", back, on.encoding))
    tale.said.sort(key=lambda one: one.at_us)
    told = words(log_of(tale), "north")
    assert ("node-status", "off") in told
    assert any("brown-out" in one for one in told)
