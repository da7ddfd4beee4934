"""Delta debugging: the shortest part of a failing sequence that still fails.

The algorithm is ddmin of Zeller and Hildebrandt, 'Simplifying and Isolating Failure-Inducing Input', IEEE
Transactions on Software Engineering 28(2), 2002, section 3.2. Its first rounds are a bisection.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

Item = TypeVar("Item")


def shrunk(
    items: Sequence[Item], fails: Callable[[Sequence[Item]], bool], *, tries: int
) -> tuple[list[Item], int]:
    """A part of `items` that fails and of which no single item can be left out, and the tries it took.

    `items` itself must fail. With too few `tries` it is only shorter, not shortest.
    """
    left, parts, used = list(items), 2, 0
    while len(left) >= 2 and used < tries:
        size = -(-len(left) // parts)
        for start in range(0, len(left), size):
            rest = left[:start] + left[start + size :]
            used += 1
            if rest and fails(rest):
                left, parts = rest, max(parts - 1, 2)
                break
            if used >= tries:
                break
        else:
            if parts >= len(left):
                break
            parts = min(2 * parts, len(left))
    return left, used
