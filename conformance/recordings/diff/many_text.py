"""Many runs compared, for the terminal and for programs."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

from conformance.recordings.diff.associations import NEEDS, Association, none_before, scipy_is_there
from conformance.recordings.diff.many import Group, ManyRuns
from protocol.foreign_text import one_line

WIDTH = 80
NAMES_SHOWN = 6


def lines(found: ManyRuns, together: Sequence[Sequence[Association]]) -> Iterator[str]:
    """The groups, the largest first, each with what goes along with it."""
    yield from _wrapped(learned(found))
    yield from _wrapped(stood_still(found))
    yield ""
    for number, (group, rows) in enumerate(zip(found.groups, together, strict=True), 1):
        yield from _wrapped(f"{number}. {sentence(found, group)}", "", "   ")
        yield from _wrapped(names(group), "   ")
        first = group.example.first
        assert first is not None
        where = f"message {first.number}" if first.number is not None else "no message"
        detail = f": {first.detail}" if first.detail else ""
        yield from _wrapped(
            f"{group.example.run.name} at {first.at_us / 1e6:.2f} s, {where}{detail}", "   ", "     "
        )
        for told in first.led_to:
            yield from _wrapped(f"before: {told}", "     ", "       ")
        for text in goes_along(rows):
            yield from _wrapped(text, "   ", "     ")
        yield ""
    for one in found.cut:
        yield from _wrapped(f"not compared to the end: {one.run.name}: {one.how_far}", "", "   ")
    for text in found.unread:
        yield from _wrapped(f"not read: {one_line(text)}", "", "   ")
    yield from _wrapped(sums(found))
    if found.groups and not scipy_is_there():
        yield from _wrapped(f"note: {NEEDS}", "", "      ")


def learned(found: ManyRuns) -> str:
    """What was learned from."""
    runs = f"{len(found.good):,} run{'s' * (len(found.good) != 1)}"
    if not found.assumed:
        return f"Learned from {runs} marked good."
    return (
        f"No run is marked good, so {runs} that came to their end without a fault, a reset or a loss are taken for "
        "good; up to one in ten of them may not be. Mark those you know: yardwire runs mark RUN --good"
    )


def stood_still(found: ManyRuns) -> str:
    """That times may be further off than elsewhere, and by how much; '' where they may not."""
    if not found.allowance_ms:
        return ""
    return (
        "Times of these runs are far off now and then, somewhere else in each, as where a computer that plays or "
        f"records them stands still. So a time counts as different only where it is {found.allowance_ms / 1000:.2f} s "
        "further off than it would have to be elsewhere. Record with a computer that does nothing else to see more."
    )


def sums(found: ManyRuns) -> str:
    """How many are different."""
    different = sum(len(group.members) for group in found.groups)
    parts = [f"{different:,} of {len(found.compared):,} runs are different, in {len(found.groups):,} ways"]
    if found.cut:
        parts.append(f"{len(found.cut):,} end too early to say")
    if found.unread:
        parts.append(f"{len(found.unread):,} could not be read")
    return "; ".join(parts)


def sentence(found: ManyRuns, group: Group) -> str:
    """How many, and where they first diverge; since when."""
    began, before = none_before([one.run for one in group.members], found.index.runs)
    since = f"; none of the {before:,} runs before {began[:16].replace('T', ' ')} UTC" if before > 1 else ""
    node = "" if group.words.startswith(f"{group.sequence}:") else f"{group.sequence}, "
    return one_line(
        f"{len(group.members):,} of {len(found.compared):,}: {node}{group.kind}: {group.words}{since}"
    )


def names(group: Group) -> str:
    """The runs of a group, as far as there is room."""
    shown = ", ".join(str(one.run.name) for one in group.members[:NAMES_SHOWN])
    more = len(group.members) - NAMES_SHOWN
    return one_line(f"{shown}{f' and {more} more' if more > 0 else ''}")


def goes_along(rows: Sequence[Association]) -> list[str]:
    """What goes along with a group; honest where there are too few runs to tell."""
    sure = [row for row in rows if row.sure]
    if sure:
        return [f"goes along with it: {row}" for row in sure]
    if not rows:
        return []
    if rows[0].p is None:
        return [f"counted: {row}" for row in rows[:3] if row.failed_with]
    return [
        f"nothing goes along with it that chance would not explain (nearest: {rows[0]}, of {len(rows)} questions)"
    ]


def as_json(found: ManyRuns, together: Sequence[Sequence[Association]]) -> dict[str, Any]:
    """Everything, for programs."""
    return {
        "folder": str(found.index.folder),
        "good": [str(run.name) for run in found.good],
        "assumed": found.assumed,
        "allowance_s": round(found.allowance_ms / 1000, 3),
        "compared": len(found.compared),
        "groups": [
            {
                "kind": group.kind,
                "node": group.sequence,
                "what": group.words,
                "runs": [
                    {
                        "name": str(one.run.name),
                        "began": one.run.began,
                        "differences": one.differences,
                        "first": one.first.as_json() if one.first else None,
                    }
                    for one in group.members
                ],
                "goes_along": [
                    {
                        "what": row.what, "failed_with": row.failed_with, "failed": row.failed,
                        "others_with": row.others_with, "others": row.others, "p": row.p, "p_all": row.p_all,
                        "sure": row.sure,
                    }
                    for row in rows
                ],
            }
            for group, rows in zip(found.groups, together, strict=True)
        ],
        "not_to_the_end": [{"name": str(one.run.name), "how_far": one.how_far} for one in found.cut],
        "not_read": found.unread,
    }  # fmt: skip


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=first if rest is None else rest)
