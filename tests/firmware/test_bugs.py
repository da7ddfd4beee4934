"""Each planted bug of the core is caught: by a case, by sanitizers and invariants, on the line or in its cells."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable, Iterable
from pathlib import Path
from random import Random

import pytest

from conformance.publish.firmware.site_header import site_header
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import scenario
from tests.firmware import on_the_line
from tests.firmware.board import CORE, NODES, compiled, site
from tests.firmware.bugs import (
    BY_THE_SUITE,
    DIES,
    DIES_IN_JSON,
    IN_ITS_CELLS,
    ON_THE_LINE,
    READS_WRONG,
    Bug,
    planted,
)
from tests.firmware.inputs import inputs, inputs_in_json
from tests.firmware.participant import library, virtual_bench
from tests.json_texts import MORE_NONSENSE, MORE_SENSE, NONSENSE, SENSE
from tests.needs import needs
from tests.sample import sampled

pytestmark = needs("gcc")
QUIET = ("-w",)
TRAFFIC = "claim-raises"
"""A case that gives those something to see that only look on."""
HERE = Path(__file__).parent
OF_ROLE = NODES | {"track": "south"}


def build(bug: Bug, folder: Path, *flags: str) -> ctypes.CDLL:
    return library(folder, OF_ROLE[bug.role], source=planted(bug, folder), flags=(*QUIET, *flags))


@pytest.mark.parametrize("name", sampled(BY_THE_SUITE, ["deadline-with-less", "hold-counted-once"]))
def test_its_case_speaks_against_it(name: str, tmp_path: Path) -> None:
    bug = BY_THE_SUITE[name]
    node = OF_ROLE[bug.role]
    bench = virtual_bench(build(bug, tmp_path), node)
    results = Run(Fixture(bench, site(), node, Random(1)), Selection((bug.case, TRAFFIC))).perform()
    assert results[bug.case].verdict is Verdict.FAIL


def fuzz_program(folder: Path, source: Path, *, in_json: bool = False) -> Path:
    """The fuzz target as a program that plays files; `in_json` is a crane that reads and writes JSON alone."""
    folder.mkdir(parents=True, exist_ok=True)
    header = site_header(scenario(), "south") if in_json else site_header(site(), "north")
    (folder / "yw_site.h").write_text(header, encoding="utf-8")
    program = folder / "target"
    flags = ["-std=gnu11", "-w", "-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    include = [f"-I{folder}", f"-I{source / 'src'}"]
    json = ["-DYW_JSON"] if in_json else []
    compiled(["gcc", *flags, *json, "-DALONE", *include, HERE / "fuzz_target.c", "-o", program])
    return program


def play(
    program: Path, folder: Path, played: Callable[[], Iterable[bytes]] = inputs
) -> subprocess.CompletedProcess[str]:
    files = []
    for number, one in enumerate(played()):
        files.append(folder / f"input-{number}")
        files[-1].write_bytes(one)
    return subprocess.run(
        [str(program), *map(str, files)], capture_output=True, text=True, check=False, timeout=120
    )


def test_nothing_breaks_the_sound_one(tmp_path: Path) -> None:
    run = play(fuzz_program(tmp_path / "sound", CORE), tmp_path)
    assert (run.returncode, run.stderr) == (0, "")


@pytest.mark.parametrize("name", sampled(DIES, [next(iter(DIES))]))
def test_it_dies(name: str, tmp_path: Path) -> None:
    run = play(fuzz_program(tmp_path / "bug", planted(DIES[name], tmp_path)), tmp_path)
    assert run.returncode != 0
    assert "Sanitizer" in run.stderr or "broken:" in run.stderr or "runtime error" in run.stderr


def test_nothing_breaks_the_sound_one_in_json(tmp_path: Path) -> None:
    run = play(fuzz_program(tmp_path / "sound", CORE, in_json=True), tmp_path, inputs_in_json)
    assert (run.returncode, run.stderr) == (0, "")


@pytest.mark.parametrize("name", sampled(DIES_IN_JSON, [next(iter(DIES_IN_JSON))]))
def test_it_dies_in_json(name: str, tmp_path: Path) -> None:
    source = planted(DIES_IN_JSON[name], tmp_path)
    run = play(fuzz_program(tmp_path / "bug", source, in_json=True), tmp_path, inputs_in_json)
    assert run.returncode != 0
    assert "Sanitizer" in run.stderr or "broken:" in run.stderr or "runtime error" in run.stderr


@pytest.mark.parametrize("name", sampled(READS_WRONG, [next(iter(READS_WRONG))]))
def test_the_kit_reads_it_otherwise(name: str, tmp_path: Path) -> None:
    """Among the texts that `test_json` asks about is one of which the core with the bug thinks otherwise."""
    copy = planted(READS_WRONG[name], tmp_path)
    flags = (*QUIET, "-DYW_JSON")
    core = library(tmp_path / "made", "ferry", source=copy, of=scenario(), flags=flags)
    asked = [(text, True) for text in (*SENSE, *MORE_SENSE)] + [
        (text, False) for text in (*NONSENSE, *MORE_NONSENSE)
    ]
    taken = [bool(core.library_reads(text.encode(), len(text.encode()))) for text, _ in asked]
    assert taken != [is_read for _, is_read in asked]


SHOWN_BY = {
    "no-escape": on_the_line.escapes,
    "frame-across-two-reads": on_the_line.takes_a_frame_in_pieces,
    "check-not-looked-at": on_the_line.drops_a_flipped_bit,
    "order-of-a-dead-line": on_the_line.takes_no_order_without_a_bus,
}


@pytest.mark.parametrize("name", ON_THE_LINE)
def test_the_line_shows_it(name: str, tmp_path: Path) -> None:
    sound = on_the_line.node(library(tmp_path / "sound", "ferry", flags=("-DON_A_LINE",)))
    assert SHOWN_BY[name](sound)
    assert not SHOWN_BY[name](
        on_the_line.node(build(_on_a_shuttle(ON_THE_LINE[name]), tmp_path / "bug", "-DON_A_LINE"))
    )


def _on_a_shuttle(bug: Bug) -> Bug:
    return Bug(bug.says, bug.file, bug.old, bug.new, role="shuttle")


@pytest.mark.parametrize("name", [None, *IN_ITS_CELLS])
def test_a_power_failure_while_it_writes_shows_it(name: str | None, tmp_path: Path) -> None:
    core = library(tmp_path, "north") if name is None else build(IN_ITS_CELLS[name], tmp_path)
    core.library_erase()
    given = [core.library_boot(-1) for _ in range(3)]
    core.library_boot(2)
    after = core.library_boot(-1)
    sound = after >> 16 == 0 and after & 0xFFFF not in [boot & 0xFFFF for boot in given]
    assert sound is (name is None)


def test_there_are_enough_of_them() -> None:
    every = [*BY_THE_SUITE, *DIES, *DIES_IN_JSON, *READS_WRONG, *ON_THE_LINE, *IN_ITS_CELLS]
    assert len(every) == len(set(every)) >= 25
