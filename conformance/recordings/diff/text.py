"""A comparison for the terminal."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator

from conformance.recordings.diff.difference import Comparison, Difference

WIDTH = 80
SIGNS = {
    "missing": "-", "extra": "+", "changed": "~", "order": "%", "late": ">", "slower": ">", "faster": "<",
}  # fmt: skip


def lines(result: Comparison, most: int) -> Iterator[str]:
    """The first divergence and what led to it, sums, then the differences in their order."""
    good = result.good[0].name if len(result.good) == 1 else f"{len(result.good)} good runs"
    first = result.first
    if first is None and not result.complete:
        yield from _wrapped(f"Not compared to the end: {how_far(result)}")
    elif first is None:
        yield from _wrapped(
            f"No difference: {result.matched:,} events of {result.other.name} are those of {good}."
        )
    else:
        yield from _wrapped(f"{result.other.name} against {good}")
        yield ""
        yield "First divergence"
        yield from _wrapped(_sentence(first), "  ")
        for told in first.led_to:
            yield from _wrapped(f"before: {told}", "    ")
        yield ""
        yield from _wrapped(_sums(result))
        if not result.complete:
            yield from _wrapped(how_far(result))
        for summary in slow_parts(result):
            yield from _wrapped(summary)
        yield ""
        for one in result.differences[:most]:
            yield from _wrapped(f"{one.at_us / 1e6:9.2f} s  {SIGNS[one.kind]} {_what(one)}", "", " " * 15)
        if len(result.differences) > most:
            yield f"... and {len(result.differences) - most:,} more; --all shows them"
    for note in result.notes:
        yield from _wrapped(f"note: {note}", "", "      ")


def how_far(result: Comparison) -> str:
    """How much of the good run was held against the other, where that was not all."""
    if not result.not_reached:
        whole = f"compared {result.events:,} of {result.events:,} events"
        return f"{whole}; a file breaks off, and what stood behind is lost"
    seen = result.events - result.not_reached
    return f"compared {seen:,} of {result.events:,} events, then {result.other.name} ends; nothing is said of the rest"


def _sentence(one: Difference) -> str:
    where = f"message {one.number}" if one.number is not None else "no message"
    good = f"; in the good run at {one.good_us / 1e6:.2f} s, message {one.good_number}"
    return f"at {one.at_us / 1e6:.2f} s, {where}: {_what(one)}{good if one.good_number else ''}"


def _what(one: Difference) -> str:
    axis = f" (longest way: axis {one.axis})" if one.axis else ""
    return f"{one.kind}: {one.words}{f': {one.detail}' if one.detail else ''}{axis}"


def _sums(result: Comparison) -> str:
    counts = Counter(one.kind for one in result.differences)
    sums = ", ".join(f"{count:,} {kind}" for kind, count in counts.most_common())
    return f"{len(result.differences):,} differences ({sums}); {result.matched:,} events match"


def slow_parts(result: Comparison) -> Iterator[str]:
    """What is slower or faster throughout, by node and axis."""
    groups: dict[tuple[str, str | None, str], list[float]] = {}
    for one in result.differences:
        if one.kind in ("slower", "faster") and one.part:
            groups.setdefault((one.sequence, one.axis, one.kind), []).append(one.part)
    for (sequence, axis, kind), parts in groups.items():
        mean = sum(parts) / len(parts)
        part = f"where axis {axis} had the longest way, " if axis else ""
        yield f"{sequence}: {part}{len(parts)} times {kind}, by {abs(mean):.1%} on average"


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=first + "  " if rest is None else rest
    )
