"""What a run says while it lasts: who has come, how far it is, and which case is running."""

from __future__ import annotations

from typing import TYPE_CHECKING

from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat

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
            chat(f"connected: {says}")

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
        from conformance.commands.conform.time_left import TimeLeft, length_s
        from conformance.tester.walk.walk_case import ID as WALK

        known = {case.id: (case, length_s(case, roles)) for case in ahead}
        if walk_s is not None and WALK in known:
            known[WALK] = (known[WALK][0], walk_s)
        if resumed is not None:
            known |= {id_: (case, 0.0) for id_, (case, _) in known.items() if not resumed.acts_again(case)}
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
