"""A shuttle in C behind a real broker: sound it lives through everything, and each bug breaks it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.fuzz.link import link_of
from conformance.fuzz.run.campaign import Campaign, Options
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken
from protocol.wire.packet import Ack, Kind, Publish
from tests.faulty_nodes.c.board import NODE, build, on_the_bench
from tests.faulty_nodes.c.bugs import BUGS, DIES, SILENT, WRONG, Bug
from tests.needs import needs, needs_header

pytestmark = [needs("gcc"), needs_header("mosquitto.h", "libmosquitto-dev")]
PATIENCE_S = 10
CASES = 60


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a board did about some orders."""

    ended: str
    """DIES, SILENT, or '' where it answers."""
    words: str = ""
    reports: tuple[tuple[object, ...], ...] = ()
    counts: bool = True
    """Whether seq goes up by one."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("c")


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker("auto") as started:
        yield started


def outcome(program: Path, bug: Bug) -> Outcome:
    with (
        start_broker("auto") as broker,
        on_the_bench(program, broker, bug.uptime) as (board, _, fixture),
    ):
        fixture.claim()
        before = fixture.log.end
        for payload in bug.trigger(fixture.boot, fixture.mark):
            fixture.send_raw(payload)
        if bug.shows == DIES and program.name != "sound":
            board.process.wait(PATIENCE_S)
            return Outcome(DIES, board.words)
        try:
            fixture.ask()
            # What was said for the first is acknowledged before the second comes: callbacks have run.
            assert fixture.bench.wait(lambda: _is_acknowledged(fixture), 1000 * PATIENCE_S)
            last = fixture.ask().report
        except Broken:
            return Outcome(SILENT if board.process.poll() is None else DIES, board.words)
        came = [m for m in fixture.log.since(before) if m.from_node and m.number < last.number]
        states = [m.body["seq"] for m in came if m.name == "shuttle-status"]
        return Outcome(
            "",
            reports=tuple((m.body["act"], m.body.get("reason")) for m in came if m.name == "job-report"),
            counts=states == list(range(states[0], states[0] + len(states))),
        )


def _is_acknowledged(fixture: Fixture) -> bool:
    """Whether a PUBACK has passed the tap for each PUBLISH of the node at QoS 1."""
    traces = fixture.log.traces
    said = sum(t.from_node and isinstance(t.packet, Publish) and t.packet.qos == 1 for t in traces)
    return said == sum(
        not t.from_node and isinstance(t.packet, Ack) and t.packet.kind is Kind.PUBACK for t in traces
    )


@pytest.mark.parametrize("name", BUGS)
def test_a_bug_breaks_it_and_without_it_the_shuttle_lives(name: str, folder: Path) -> None:
    bug = BUGS[name]
    sound = outcome(build(folder, None), bug)
    assert (sound.ended, sound.counts) == ("", True), sound.words
    broken = outcome(build(folder, name), bug)
    if bug.shows == WRONG:
        assert broken.ended == ""
        assert broken != sound
    else:
        assert broken.ended == bug.shows
        assert re.search(bug.words, broken.words), broken.words[:2000]


def campaign(program: Path, broker: Broker, wanted: frozenset[str] = frozenset()) -> Campaign:
    with on_the_bench(program, broker) as (_, bench, fixture):
        options = Options(seed=1, motion=True, rate=0, kinds=("payloads", "sequences"), shorten_tries=0)
        run = Campaign(fixture, link_of(bench, NODE), options)
        run.run(lambda: run.cases < CASES and not _is_found(run, wanted))
        return run


def _is_found(run: Campaign, wanted: frozenset[str]) -> bool:
    """Whether it has found one of those that were wanted; where none was, anything."""
    return any(not wanted or found.finding.requirement in wanted for found in run.found.values())


def test_the_fuzzer_finds_nothing_in_the_sound_one(folder: Path, broker: Broker) -> None:
    run = campaign(build(folder, None), broker)
    assert run.cases >= CASES
    assert [str(found.finding) for found in run.found.values()] == []


@pytest.mark.parametrize("name", [name for name, bug in BUGS.items() if bug.fuzzer])
def test_the_fuzzer_finds_it(name: str, folder: Path, broker: Broker) -> None:
    wanted = frozenset({BUGS[name].fuzzer})
    if BUGS[name].shows == DIES:
        wanted |= {
            "ORD-01",
            "ORD-03",
        }  # A board that has died answers neither the order nor the ask behind it.
    run = campaign(build(folder, name), broker, wanted)
    assert wanted & {found.finding.requirement for found in run.found.values()}
