"""How an error on another thread reaches the main thread, wherever that waits: by a signal of the process to itself."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from protocol.wire.fail_stop import Failed, FailStop, check, fail_stop

WAKE = signal.SIGUSR1
AGAIN_S = 0.05


@contextmanager
def stopped_by_a_thread() -> Iterator[FailStop]:
    """Within the block an error that leaves any thread raises `Failed` here; enter it on the main thread."""
    main = threading.get_ident()

    def wake() -> None:
        # To the thread, not to the process: only so a wait for a lock is interrupted.
        signal.pthread_kill(main, WAKE)

    def handle(_number: int, _frame: FrameType | None) -> None:
        check()

    before, unraisable = signal.signal(WAKE, handle), sys.unraisablehook
    try:
        with fail_stop(wake) as program:

            def lost(what: sys.UnraisableHookArgs) -> None:
                if isinstance(what.exc_value, Failed):
                    # It was raised where nothing can be, as while garbage is collected: once more, from another thread.
                    again = threading.Timer(AGAIN_S, program.wake)
                    again.daemon = True
                    again.start()
                else:
                    unraisable(what)

            sys.unraisablehook = lost
            yield program
    finally:
        sys.unraisablehook = unraisable
        signal.signal(WAKE, before)
