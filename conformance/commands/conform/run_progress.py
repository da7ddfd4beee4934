"""What a run says while it lasts: who has come, how far it is, which case is running, and what has failed so far."""

from __future__ import annotations

from typing import TYPE_CHECKING

from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat
from conformance.commands.terminal.width import width, wrapped
from conformance.suite.verdict import Verdict

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
        self._progress = progress.Progress("cases", apart_s=0)
        self._failed: list[str] = []
        self._told_failed = False
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
        self._progress = progress.Progress("cases", len(known), apart_s=0)
        self._left = TimeLeft(known)

    def at(self, case: Case, result: Result | None) -> None:
        """A case begins, or has its result; one that is not selected has a result and never began."""
        if result is None:
            self._running = case.id
            left_s = None if self._left is None else self._left.seconds
            new = bool(self._failed) and not self._told_failed
            self._told_failed = self._told_failed or new
            self._progress.at(self._done, f"{self._node}: {case.id}", left_s, besides=self.failed(), now=new)
            return
        if self._left is not None:
            self._left.ended(case, result)
        if result.verdict in (Verdict.FAIL, Verdict.ERROR):
            self._failed.append(case.id)
        if case.id == self._running:
            self._done += 1

    def failed(self) -> str:
        """How many cases have failed and which was the first, where the search for the cause begins; '' for none."""
        if not self._failed:
            return ""
        which = "" if len(self._failed) == 1 else "the first "
        return f"{len(self._failed)} failed: {which}{self._failed[0]}"
