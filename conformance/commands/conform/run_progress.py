"""What a run says while it lasts: who has come, how far it is, and which case is running."""

from __future__ import annotations

from typing import TYPE_CHECKING

from conformance.commands.terminal import progress
from conformance.commands.terminal.quiet import chat

if TYPE_CHECKING:
    from conformance.suite.case import Case
    from conformance.suite.fixture import Fixture
    from conformance.tester.result import Result


class RunProgress:
    """The line of progress of one run."""

    def __init__(self, node: str) -> None:
        self._node, self._done = node, 0
        self._running = ""
        self._progress = progress.Progress("cases")

    def is_here(self, fixture: Fixture) -> None:
        """Say once who has come: without this, silence would be the sign of it."""
        from conformance.tester.identity import identity

        says = identity(fixture.log, fixture.node).says
        if says:
            progress.clear()
            chat(f"connected: {says}")

    def total(self, number: int) -> None:
        """So many cases will be run."""
        self._progress = progress.Progress("cases", number)

    def at(self, case: Case, result: Result | None) -> None:
        """A case begins, or has its result; one that is not selected has a result and never began."""
        if result is None:
            self._running = case.id
            self._progress.at(self._done, f"{self._node}: {case.id}")
        elif case.id == self._running:
            self._done += 1
