"""The walk in `yardwire conform`: its option, what is told before it moves anything, and its part of the report."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.terminal import progress

if TYPE_CHECKING:
    from conformance.suite.case import Case
    from conformance.tester.walk.length import Length
    from conformance.tester.walk.walk import Walked
    from protocol.site import NodeSite, Site

walk_option: Callable[[Any], Any] = click.option(
    "--walk",
    type=click.IntRange(0, 2),
    default=1,
    show_default=True,
    help="Lead a node on the bench through every transition (1), or every pair of transitions (2), of the machine that "
    "it must be, in one life; 0 leaves that out.",
)


def known_cases() -> dict[str, Case]:
    """Every case that can be named, the walk behind all others."""
    from conformance.suite.case import all_cases
    from conformance.tester.walk.walk_case import ID, walk_case

    return {**all_cases(), ID: walk_case()}


_FORESEEN: dict[tuple[int, str, int, bool], Length] = {}
"""It takes a second of one core, in which nothing may wait for it: it is told before the tap opens, and kept."""


def foreseen(site: Site, node: str, k: int, *, motion: bool = True) -> Length:
    """How long the walk over a node of this site file will be."""
    from conformance.tester.walk.length import length_of

    which = (site.nodes[node].digest, node, k, motion)
    if which not in _FORESEEN:
        _FORESEEN[which] = length_of(site, node, k, motion=motion)
    return _FORESEEN[which]


def told(site: Site, node: str, k: int, chosen: Iterable[Case], *, motion: bool = True) -> str:
    """What is said of the walk before the node moves, behind the time of the whole run. '' where there is none."""
    from conformance.tester.walk.walk_case import ID

    if not k or not any(case.id == ID for case in chosen):
        return ""
    length = foreseen(site, node, k, motion=motion)
    what = "transition" if k == 1 else "pair of transitions"
    return (
        f" If it is on the bench, a walk follows, which leads it through every {what} "
        f"of its machine: at most about {length.steps} steps (orders and events), some {length.jobs} of them jobs that "
        f"move it, {length.words} of that time. A hold from anybody ends it, and so does Ctrl-C."
    )


class WalkOfRun:
    """The walk of one run, as far as it has come."""

    def __init__(self, k: int, motion: bool, failed: Callable[[], str] = str) -> None:
        """`failed` says what has failed so far."""
        self._k, self._motion, self._failed = k, motion, failed
        self._walked: Walked | None = None

    def cases(self, node: NodeSite) -> list[Case]:
        """The cases of the run, with the walk for a node."""
        from conformance.suite.case import all_cases
        from conformance.tester.walk.walk_case import walk_case

        walk = walk_case(self._k, motion=self._motion, record=self._record, progress=self._show)
        return [*all_cases().values(), *([] if node.is_supervisor else [walk])]

    def seconds(self, site: Site, node: str) -> float:
        """How long the walk over this node is foreseen to be."""
        return foreseen(site, node, self._k, motion=self._motion).seconds if self._k else 0.0

    def _record(self, walked: Walked) -> None:
        self._walked = walked

    def document(self) -> dict[str, Any] | None:
        """What was walked, for the report; None where nothing was."""
        from conformance.reports.walk import document

        return None if self._walked is None else document(self._walked)

    def notes(self) -> list[str]:
        """What the walk left out."""
        dropped = [] if self._walked is None else self._walked.dropped
        return [f"the walk left out {one}" for one in dropped]

    def _show(self, walked: Walked) -> None:
        """How far it is, on a terminal."""
        told = f"walk: {walked.walked:,} of {walked.size - walked.once:,}"
        failed = self._failed()
        progress.show(f"{told}, {failed}" if failed else told)
