"""The node for a computer that `publish` writes: compiled from that folder, by itself and with a broker."""

from __future__ import annotations

import subprocess
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.publish.firmware.arduino import ON_A_COMPUTER
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario
from protocol.specification import specification
from tests.firmware.board import HOST_WARNINGS, WARNINGS, Board, compiled
from tests.firmware.cycled_board import benched
from tests.needs import needs, needs_header

pytestmark = [needs("gcc"), needs_header("mosquitto.h", "libmosquitto-dev")]
NODE = "siding"
BROKER = Path(__file__).with_name("absent_broker.c")
CASES = ("link-says-on", "link-comes-back", "orders-ask")
CAUTIONS = ("CAUTION", "no emergency stop", "removes motor power", "supply of their own", "licensed person")


def built(library: Path, folder: Path, node: str, *behind: str | Path) -> Path:
    """The program of a node, with these words at the end of the compiler's line."""
    include = [f"-I{library / 'extras' / node}", f"-I{library / 'src'}"]
    own, program = library / ON_A_COMPUTER, folder / node
    json = [] if scenario().nodes[node].reads == "cbor" else ["-DYW_JSON"]
    core = folder / f"{node}.o"
    compiled(["gcc", *WARNINGS, "-O1", *json, *include, "-c", own / "node.c", "-o", core])
    sources = [core, own / "mqtt.c", own / "process.c"]
    compiled(["gcc", *HOST_WARNINGS, "-O1", *json, *include, *sources, *behind, "-o", program])
    return program


@pytest.mark.parametrize("node", ["north", "south", "siding", "ferry"])
def test_it_compiles_from_the_published_folder_without_a_warning(
    node: str, library: Path, tmp_path: Path
) -> None:
    assert built(library, tmp_path, node, "-lmosquitto").is_file()


def test_it_says_what_may_hurt(library: Path) -> None:
    text = (library / ON_A_COMPUTER / "mqtt.c").read_text(encoding="utf-8")
    head = text[: text.index("*/")]
    assert [word for word in CAUTIONS if word not in head] == []


def said(program: Path, outcomes: str) -> list[str]:
    """What it says, and when it tried to connect, in ms of its clock; attempts end as their letters say."""
    made = subprocess.run(
        [program, outcomes, "1", program.with_suffix(".cells")], capture_output=True, timeout=60, check=False
    )
    assert made.returncode == 0, made
    return made.stdout.decode().splitlines()


def attempts(program: Path, outcomes: str) -> list[int]:
    """When it tried to connect, in ms of its clock (absent_broker.c)."""
    return [int(line) for line in said(program, outcomes) if line.isdigit()]


def test_it_says_when_it_connects_and_once_when_it_cannot(library: Path, tmp_path: Path) -> None:
    program = built(library, tmp_path, NODE, BROKER)
    cannot = f"{NODE}: cannot connect, and goes on trying:"

    def lines(outcomes: str) -> list[str]:
        return [line for line in said(program, outcomes) if not line.isdigit()]

    assert lines("nn") == [f"{cannot} nn, port 1: nobody is there"]
    assert lines("rr") == [f"{cannot} rr, port 1: not authorised"]
    connected = f"{NODE}: connected to nan, port 1"
    assert lines("nan") == [f"{cannot} nan, port 1: nobody is there", connected, lines("nan")[0]]
    short = subprocess.run([program, "127.0.0.1"], capture_output=True, text=True, timeout=60, check=False)
    assert short.returncode == 2
    assert short.stderr.startswith(f"usage: {program} HOST PORT CELLS [UPTIME]")


def test_it_waits_longer_each_time_and_begins_again_once_it_was_let_in(library: Path, tmp_path: Path) -> None:
    """With a clock that goes only where it waits. Each wait is one that LNK-10 allows."""
    program = built(library, tmp_path, NODE, BROKER)
    at = attempts(program, "nnnnnn")
    waits = [later - earlier for earlier, later in pairwise(at)]
    assert waits == [1000, 2000, 4000, 8000, 8000]
    bounds = specification().timing["reconnect"]
    assert bounds.least is not None
    assert bounds.most is not None
    assert all(bounds.least <= wait <= bounds.most for wait in waits)
    refused = attempts(program, "rrrr")
    assert [round((b - a) / 1000) for a, b in pairwise(refused)] == [1, 2, 4], "a refusal is no success"
    let_in = attempts(program, "nnnann")
    assert [round((b - a) / 1000) for a, b in pairwise(let_in)] == [1, 2, 4, 1 + 1, 2]


def test_it_answers_and_comes_back_on_a_broker(library: Path, tmp_path: Path) -> None:
    program = built(library, tmp_path, NODE, "-lmosquitto")
    with (
        start_broker("auto") as broker,
        benched(lambda tap: Board(program, tap), broker, scenario(), NODE) as (board, bench, _),
    ):
        results = Run(Fixture(bench, scenario(), NODE, Random(1), 4.0), Selection(CASES)).perform()
    assert {id_: results[id_].verdict for id_ in CASES} == dict.fromkeys(CASES, Verdict.PASS)
    assert board.words == ""
