"""Which faulty nodes there are: those of the pages, and those that a covering array makes."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path

from allpairspy import AllPairs

from tests.faulty_nodes.matrix.breaches.firmware import FIRMWARE
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


HISTORY = ("any", "link-2", "link-3", "job-2", "after-failed", "after-cancelled", "after-refused", "resumed", "reset", "wrap")
STATE = ("any", "idle", "moving", "held")
WORDS = ("any", "json", "cbor")
ALONE = ("always", "link-2", "job-2", "held")
"""Contexts in which each breach of firmware is planted with no second one."""


def crossed() -> Iterator[Planted]:
    """Breaches of firmware crossed with contexts: a covering array of strength 2 over breach, node and three factors.

    A row has at most two contexts: most faults depend on one or two conditions (NIST SP 800-142, section 1).
    """
    names = list(FIRMWARE)

    def allowed(row: Sequence[str]) -> bool:
        if len(row) > 1 and row[1] not in FIRMWARE[row[0]].nodes:
            return False
        if len(row) > 4 and row[1] == "siding" and row[4] == "json":
            return False  # It reads CBOR only.
        return sum(context != "any" for context in row[2:]) <= 2

    nodes = list(NODES.values())
    for breach, node, when in AllPairs(
        [names, nodes, list(ALONE)], filter_func=lambda row: len(row) < 2 or row[1] in FIRMWARE[row[0]].nodes
    ):
        yield Planted(breach, FIRMWARE[breach].requirement, FIRMWARE[breach].says, node, (when,))
    for breach, node, *contexts in AllPairs([names, nodes, list(HISTORY), list(STATE), list(WORDS)], filter_func=allowed):
        when = tuple(context for context in contexts if context != "any") or ("always",)
        kind = FIRMWARE[breach]
        yield Planted(breach, kind.requirement, kind.says, node, when)


def planned() -> list[Planted]:
    """All faulty nodes, each once."""
    every = {one.id: one for one in (*from_pages(), *crossed())}
    return list(every.values())
