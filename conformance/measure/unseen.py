"""What may be there and not be seen with so few arrivals, and how many show it."""

from __future__ import annotations

from conformance.measure.arrivals import Arrivals
from conformance.measure.causes import Shown

TIMES = 3
"""The size that is spoken of, in multiples of the repeatability."""
NEEDED = {
    "step": ("a jump", 80),
    "trains": ("one locomotive that scatters more", 30),
    "curvature": ("a bend", 24),
}
"""Arrivals that show one of `TIMES` the repeatability in about 95 % (benchmarks.measure; docs/measuring.md)."""


def unseen(arrivals: Arrivals, shown: Shown) -> list[tuple[str, int]]:
    """What is not named and may have been missed, with the arrivals that would show it; repeats count."""
    several = len(set(arrivals.train)) > 1
    return [
        (words, needed)
        for name, (words, needed) in NEEDED.items()
        if name not in shown.named and arrivals.number < needed and (name != "trains" or several)
    ]


def in_words(arrivals: Arrivals, shown: Shown) -> str:
    """The same as part of a sentence; '' where nothing may have been missed."""
    found = unseen(arrivals, shown)
    if not found:
        return ""
    told = ", ".join(f"{words} ({needed} arrivals show it)" for words, needed in found)
    return f"{arrivals.number} arrivals may hide {told}; {TIMES} times the repeatability is meant, and repeats count"
