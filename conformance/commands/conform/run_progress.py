"""What a run says while it lasts: who has come, how far it is, and which case is running."""

from __future__ import annotations

from typing import TYPE_CHECKING

from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat
from conformance.commands.terminal.width import width, wrapped

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from conformance.commands.conform.time_left import TimeLeft
    from conformance.suite.case import Case
    from conformance.suite.fixture import Fixture
    from conformance.tester.result import Result
    from conformance.tester.resume import Resumed


class RunProgress:
    """The line of progress of one run."""

    def __init__(self, node: str) -> None:
        self._node, self._done = node, 0
        self._running = ""
        self._progress = progress.Progress("cases")
        self._left: TimeLeft | None = None

    def is_here(self, fixture: Fixture) -> None:
        """Say once who has come: without this, silence would be the sign of it."""
        from conformance.tester.identity import identity

        says = identity(fixture.log, fixture.node).says
        if says:
            progress.clear()
            chat(wrapped(f"connected: {says}", width()))

    def foresee(
        self,
        ahead: Sequence[Case],
        roles: Collection[str],
        walk_s: float | None = None,
        resumed: Resumed | None = None,
    ) -> None:
        """These cases will be run, in this order, over a node of these roles; what `resumed` has takes no time.

        `walk_s` is how long the walk is foreseen to be, where there is one.
        """
        from conformance.commands.conform.time_left import TimeLeft, lengths

        acts = resumed.acts_again if resumed is not None else lambda _case: True
        known = lengths(ahead, roles, walk_s, acts)
        self._progress = progress.Progress("cases", len(known))
        self._left = TimeLeft(known)

    def at(self, case: Case, result: Result | None) -> None:
        """A case begins, or has its result; one that is not selected has a result and never began."""
        if result is None:
            self._running = case.id
            left_s = None if self._left is None else self._left.seconds
            self._progress.at(self._done, f"{self._node}: {case.id}", left_s)
            return
        if self._left is not None:
            self._left.ended(case, result)
        if case.id == self._running:
            self._done += 1
