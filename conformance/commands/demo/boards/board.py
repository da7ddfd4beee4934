"""What a board of the demo is to the yard: it is started and stopped as any other node, and may fail."""

from __future__ import annotations

from typing import Protocol


class Board(Protocol):
    """One node of the yard that is not the reference node."""

    @property
    def failure(self) -> BaseException | None:
        """What ended it, if anything did."""

    def start(self) -> None:
        """Power on. Raises Trouble where something that it needs is missing."""

    def stop(self) -> None:
        """Power off, for good."""
