"""In which order the entries of a matrix are judged, so that what is judged when it is stopped is a fair part."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from typing import Protocol, TypeVar

from tests.matrix.document import column_of


class Entry(Protocol):
    """An entry, by what a sample has to be fair to."""

    @property
    def id(self) -> str:
        """Its name."""

    @property
    def from_pages(self) -> bool:
        """Whether it is one of the pages."""


One = TypeVar("One", bound=Entry)


def in_turn(entries: Sequence[One]) -> list[One]:
    """All, in an order that was drawn once."""
    drawn = sorted(entries, key=lambda one: one.id)
    Random(7).shuffle(drawn)
    return drawn


def sample(entries: Sequence[One], size: int) -> list[One]:
    """A part in which each node, context and origin has its share: every n-th of all, ordered by these."""
    drawn = in_turn(entries)
    strata = sorted(drawn, key=lambda one: (_node(one.id), column_of(one.id), one.from_pages))
    if size >= len(strata):
        return drawn
    step = len(strata) / size
    chosen = {strata[int((number + 0.5) * step)].id for number in range(size)}
    return [one for one in drawn if one.id in chosen]


def _node(id_: str) -> str:
    return id_.partition("/")[0].partition("@")[2]
