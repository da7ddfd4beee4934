"""Which faulty nodes there are: those of the pages, and those that a covering array makes."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from itertools import combinations, product
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
        amounts: list[int | None] = [int(percent) for percent in row.get("percent", "").split()] or [None]
        for role in row["on"].split():
            node = OVER_A_TRACK.get(name, NODES[role])
            for when in row["when"].split():
                for percent in amounts:
                    yield Planted(
                        name, row["requirement"], row["says"], node, (when,), percent, from_pages=True
                    )


HISTORY = (
    "any",
    "link-2",
    "link-3",
    "job-2",
    "after-failed",
    "after-cancelled",
    "after-refused",
    "resumed",
    "reset",
    "wrap",
)
STATE = ("any", "idle", "moving", "held")
WORDS = ("any", "json", "cbor")
ALONE = ("always", "link-2", "job-2", "held")
"""Contexts in which each breach of firmware is planted with no second one."""


def crossed() -> Iterator[Planted]:
    """Breaches of firmware crossed with contexts: each alone in a few, and a covering array of strength 2 over all.

    A row of the array has at most two contexts: most faults depend on one or two conditions (SP 800-142, section 1).
    """
    nodes = list(NODES.values())
    for breach, node, when in AllPairs([list(FIRMWARE), nodes, list(ALONE)], filter_func=_has_node):
        yield _planted(breach, node, (when,))
    for breach, node, *contexts in _array(nodes):
        yield _planted(
            breach, node, tuple(context for context in contexts if context != "any") or ("always",)
        )


def _planted(breach: str, node: str, when: tuple[str, ...]) -> Planted:
    kind = FIRMWARE[breach]
    return Planted(breach, kind.requirement, kind.says, node, when)


def _has_node(row: Sequence[str]) -> bool:
    return len(row) < 2 or row[1] in FIRMWARE[row[0]].nodes


def _allowed(row: Sequence[str]) -> bool:
    """Whether a row, or its beginning, can be: the berth reads CBOR only."""
    if len(row) > 4 and row[1] == "siding" and row[4] == "json":
        return False
    return _has_node(row) and sum(context != "any" for context in row[2:]) <= 2


def _array(nodes: list[str]) -> Iterator[tuple[str, ...]]:
    """The rows of allpairspy, and one more for each pair that its greedy search leaves out where rows are forbidden."""
    factors = [list(FIRMWARE), nodes, list(HISTORY), list(STATE), list(WORDS)]
    covered: set[tuple[tuple[int, str], tuple[int, str]]] = set()
    for found in AllPairs(factors, filter_func=_allowed):
        row = tuple(found)
        covered |= set(combinations(enumerate(row), 2))
        yield row
    for (first, ones), (second, others) in combinations(enumerate(factors), 2):
        for one, other in product(ones, others):
            if ((first, one), (second, other)) in covered:
                continue
            fixed = {first: one, second: other}
            choices = [
                [fixed[at]] if at in fixed else _rest(at, len(covered), nodes) for at in range(len(factors))
            ]
            row = next((row for row in product(*choices) if _allowed(row)), ())
            if row:
                covered |= set(combinations(enumerate(row), 2))
                yield row


def _rest(at: int, turn: int, nodes: list[str]) -> list[str]:
    """What a factor may be where the pair leaves it open: breaches and nodes in turn, and no further context."""
    if at > 1:
        return ["any"]
    values = list(FIRMWARE) if at == 0 else nodes
    start = turn % len(values)
    return values[start:] + values[:start]


def planned() -> list[Planted]:
    """All faulty nodes, each once."""
    every = {one.id: one for one in (*from_pages(), *crossed())}
    return list(every.values())
