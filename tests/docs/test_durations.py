"""How long a run takes, wherever a page says it, is what the kit itself says before it begins."""

from __future__ import annotations

import re

import pytest

from conformance.commands.conform.motion import whole_run_s
from conformance.commands.conform.walking import foreseen, known_cases
from conformance.commands.terminal.progress import duration
from conformance.publish.site import sources
from protocol.site_file import scenario

RUN = re.compile(
    r"\b(?:whole|complete|full) (?:run|suite|conformance run)\b[^.|]*?\btakes (?:about|some) ([^.,:;|]*)"
)
"""A sentence on the length of a whole run; `yardwire conform` says it in the same words before anything moves."""
NODE_OF = {"docs/guides/port-the-core.md": "siding", "docs/guides/prove-a-supervisor.md": "yard"}
"""Whose run a page speaks of."""
RUNS = [
    pytest.param(page, told, id=page)
    for page, source in sources.documents(sources.home()).items()
    for told in RUN.findall(" ".join(source.text.split()))
]


def test_pages_say_how_long_a_run_takes() -> None:
    assert {param.values[0] for param in RUNS} == set(NODE_OF)


@pytest.mark.parametrize(("page", "told"), RUNS)
def test_a_whole_run_takes_as_long_as_its_page_says(page: str, told: str) -> None:
    assert told == duration(whole_run_s(scenario(), NODE_OF[page], 1, known_cases().values()))


@pytest.mark.parametrize(
    ("row", "node"), [("shuttle", "ferry"), ("berth", "siding"), ("crane with load sensor", "north")]
)
def test_a_walk_is_as_long_as_its_row_says(row: str, node: str) -> None:
    text = (sources.home() / "docs" / "walking.md").read_text(encoding="utf-8")
    (cells,) = (
        re.split(r" *\| *", line)[2:-1] for line in text.splitlines() if line.startswith(f"| {row} |")
    )
    length = foreseen(scenario(), node, 1)
    assert int(re.sub(r"\D", "", cells[3])) == pytest.approx(length.steps, rel=0.02)
    assert cells[-1].split(";")[0] == length.words


@pytest.mark.parametrize(("role", "node"), [("shuttle", "ferry"), ("berth", "siding")])
def test_a_walk_over_pairs_is_as_long_as_its_page_says(role: str, node: str) -> None:
    text = " ".join((sources.home() / "docs" / "walking.md").read_text(encoding="utf-8").split())
    told = re.search(rf"for the {role} \((about \d+ minutes)", text)
    assert told
    assert told[1] == foreseen(scenario(), node, 2).words
