"""Which faulty nodes there are: those of the pages, and those that a covering array makes."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

from tests.faulty_nodes.matrix.planted import Planted

PAGES = Path(__file__).with_name("from_pages.toml")
NODES = {"crane": "north", "berth": "siding", "shuttle": "ferry"}
OVER_A_TRACK = {"reading-beyond": "south"}
"""Breaches that only a crane over a track can have."""


def from_pages() -> Iterator[Planted]:
    """Every line of the list from the pages, in each node and context that it names."""
    for name, row in tomllib.loads(PAGES.read_text()).items():
        amounts = [int(percent) for percent in row.get("percent", "").split()] or [None]
        for role in row["on"].split():
            node = OVER_A_TRACK.get(name, NODES[role])
            for when in row["when"].split():
                for percent in amounts:
                    yield Planted(name, row["requirement"], row["says"], node, (when,), percent, from_pages=True)
