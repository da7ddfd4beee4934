"""Which faulty supervisors there are: those of the pages, and each breach in the contexts that are left."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

from tests.faulty_supervisors.matrix.injection import CONTEXTS, Planted

PAGES = Path(__file__).with_name("from_pages.toml")


def from_pages() -> Iterator[Planted]:
    """Every line of the list from the pages, in each context that it names."""
    for name, row in tomllib.loads(PAGES.read_text()).items():
        amounts: list[int | None] = [int(percent) for percent in row.get("percent", "").split()] or [None]
        for when in row["when"].split():
            for percent in amounts:
                yield Planted(name, row["requirement"], row["says"], (when,), percent, from_pages=True)


def crossed() -> Iterator[Planted]:
    """Each breach with contexts that its line does not name, so that each context comes with every third breach.

    A faulty supervisor costs ten times as much as a faulty node, so the product is not run whole.
    """
    contexts = [one for one in CONTEXTS if one not in ("always", "json", "cbor")]
    for number, (name, row) in enumerate(tomllib.loads(PAGES.read_text()).items()):
        left = [one for one in contexts if one not in row["when"].split()]
        percent = 10 if "percent" in row else None
        for place, when in enumerate(left):
            if (place + number) % 3 == 0:
                yield Planted(name, row["requirement"], row["says"], (when,), percent)


def planned() -> list[Planted]:
    """All faulty supervisors, each once."""
    every = {one.id: one for one in (*from_pages(), *crossed())}
    return list(every.values())
