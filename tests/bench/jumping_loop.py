"""An event loop whose clock jumps to the next thing that is due: a second of waiting takes no time, and is exact."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any


class _Jumping(selectors.SelectSelector):
    """Nothing comes from outside."""

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Let the time pass that would have been waited. Raises RuntimeError where it would be waited for ever."""
        ready = super().select(0)
        if not ready:
            if timeout is None:
                raise RuntimeError("nothing is due any more")
            self.now += max(0.0, timeout)
        return ready


class JumpingLoop(asyncio.SelectorEventLoop):
    """Begins at 0 s."""

    def __init__(self) -> None:
        self._jumping = _Jumping()
        super().__init__(self._jumping)
        self._clock_resolution = 1e-9

    def time(self) -> float:
        """Seconds since it began."""
        return self._jumping.now


def played(story: Coroutine[Any, Any, None]) -> None:
    """Run a story to its end."""
    with asyncio.Runner(loop_factory=JumpingLoop) as runner:
        runner.run(story)
