"""The main loop of a board: it feeds the watchdog, and fails with every output off; and what a node takes of a heap."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from protocol.site_file import scenario
from tests.micropython.interpreter import PROGRAMS, needs_micropython, site_for, started

pytestmark = needs_micropython
NODES = {"crane": "south", "berth": "siding", "shuttle": "ferry"}
GUIDE = Path(__file__).parents[2] / "docs" / "guides" / "board-in-micropython.md"


def said(program: str, folder: Path, *arguments: object, node: str = "siding") -> list[str]:
    process = started(PROGRAMS / program, arguments, site_for(folder, scenario(), node))
    out, _ = process.communicate(timeout=30)
    return out.decode().splitlines()


@pytest.mark.parametrize("how", ["tick", "link"])
def test_what_fails_ends_it_with_every_output_off(how: str, tmp_path: Path) -> None:
    """Then nothing feeds the watchdog any more, which starts the board again [SAF-03]."""
    lines = said("failing.py", tmp_path, how)
    assert lines[0] == "running"
    assert "RuntimeError: a fault of the firmware" in lines
    after = lines[lines.index("fails") + 1 :]
    off = after.index("off")
    # asyncio tells the end of one task in its next round: what was due by then still comes, once.
    assert after[:off].count("fed") <= (how == "link")
    assert "fed" not in after[off:]


def test_a_loop_that_stands_still_feeds_nothing(tmp_path: Path) -> None:
    """A second of standing still is a second without the watchdog being fed, whatever the network does."""
    gap = max(
        int(line.split()[1]) for line in said("failing.py", tmp_path, "still") if line.startswith("gap")
    )
    assert 1000 <= gap < 5000


def test_a_passage_is_timed_by_its_edges_and_not_by_the_rounds(tmp_path: Path) -> None:
    assert said("edges.py", tmp_path) == ["at-rest 1774"]


@pytest.mark.parametrize("role", NODES)
def test_it_takes_no_more_of_a_heap_than_the_guide_says(role: str, tmp_path: Path) -> None:
    (line,) = said("heap.py", tmp_path, node=NODES[role])
    used = int(line) // 1024
    row = re.search(rf"^\| {role}\b.*\| (\d+) KiB \|", GUIDE.read_text(encoding="utf-8"), re.MULTILINE)
    assert row is not None
    assert used <= int(row[1]) <= used * 1.15 + 1
