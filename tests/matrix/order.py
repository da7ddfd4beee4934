"""In which order the entries of a matrix are judged: wherever it is stopped, what is judged is a fair part of all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from random import Random
from typing import Protocol, TypeVar

from tests.matrix.document import column_of


class Entry(Protocol):
    """An entry, by what a part has to be fair to."""

    @property
    def id(self) -> str:
        """Its name."""

    @property
    def from_pages(self) -> bool:
        """Whether it is one of the pages."""


One = TypeVar("One", bound=Entry)


def in_turn(entries: Sequence[One]) -> list[One]:
    """All, so that each node, kind of context and origin has its share in any first part.

    Within a stratum the order was drawn once. The n-th of m in one stands at (n + 1/2) / m of the whole.
    """
    drawn = sorted(entries, key=lambda one: one.id)
    Random(7).shuffle(drawn)
    strata: dict[tuple[str, str, bool], list[One]] = {}
    for one in drawn:
        strata.setdefault((_node(one.id), column_of(one.id), one.from_pages), []).append(one)
    places = [
        ((number + 0.5) / len(stratum), one.id, one)
        for stratum in strata.values()
        for number, one in enumerate(stratum)
    ]
    return [one for _, _, one in sorted(places, key=lambda place: place[:2])]


def sample(entries: Sequence[One], size: int) -> list[One]:
    """A part in which each node, context and origin has its share."""
    return in_turn(entries)[:size]


def merged(queues: Mapping[str, Sequence[One]]) -> list[tuple[str, One]]:
    """Several queues as one, each entry with the name of its queue: of each as large a part is done at any moment."""
    places = [
        ((number + 0.5) / len(queue), name, one)
        for name, queue in queues.items()
        for number, one in enumerate(queue)
    ]
    return [(name, one) for _, name, one in sorted(places, key=lambda place: place[:2])]


def _node(id_: str) -> str:
    return id_.partition("/")[0].partition("@")[2]
