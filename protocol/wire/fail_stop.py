"""A program that fails on any thread stops on all of them, and publishes nothing after that.

Python ends a thread whose work raised and lets the others go on: a gate that listens on one thread would be deaf, and
what it guards would go on publishing. So the first error of any thread, callback or task is kept here, every way to
publish asks here first, and the main thread is woken (fail-stop, as Schlichting and Schneider use the word, 1983).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import asyncio

T = TypeVar("T")
Fail = Callable[[BaseException], object]


class Failed(BaseException):
    """A thread, a callback or a task of this program has failed; the cause is what it raised.

    No Exception: like Ctrl-C it has to pass through code that takes every error for one of its own.
    """


class FailStop:
    """Where the errors of one program's threads meet."""

    def __init__(self, wake: Callable[[], object]) -> None:
        """`wake` is called once, on the thread that failed: it has to raise `Failed` on the main thread soon."""
        self._wake = wake
        self._lock = threading.Lock()
        self.failure: BaseException | None = None

    def fail(self, error: BaseException) -> None:
        """Keep the first error, and wake the main thread."""
        with self._lock:
            if self.failure is not None:
                return
            self.failure = error
            self._wake()

    def wake(self) -> None:
        """Wake the main thread again, where what woke it was lost."""
        with self._lock:
            self._wake()

    def close(self) -> None:
        """Wake nobody from now on."""
        with self._lock:
            self._wake = lambda: None

    def check(self) -> None:
        """Raise Failed once something has failed."""
        if self.failure is not None:
            raise Failed(str(self.failure)) from self.failure


_program: FailStop | None = None


@contextmanager
def fail_stop(wake: Callable[[], object]) -> Iterator[FailStop]:
    """Let an error that leaves any thread of this process, a library's too, stop the program. Not to be nested."""
    global _program
    program = _program = FailStop(wake)
    before = threading.excepthook

    def hook(left: threading.ExceptHookArgs) -> None:
        if left.exc_value is not None and not isinstance(left.exc_value, (SystemExit, Failed)):
            program.fail(left.exc_value)

    threading.excepthook = hook
    try:
        yield program
    finally:
        program.close()
        threading.excepthook = before
        _program = None


def fail(error: BaseException) -> bool:
    """Stop the program for this error; False where none is guarded, as in a test: the error is then the caller's."""
    if _program is None:
        return False
    _program.fail(error)
    return True


def check() -> None:
    """Raise Failed where the program has failed: whoever publishes asks first."""
    if _program is not None:
        _program.check()


def task(work: Coroutine[Any, Any, T], failed: Fail = fail) -> asyncio.Task[T]:
    """Start a task whose error is told to `failed`: asyncio itself keeps it to itself until somebody asks."""
    import asyncio  # It is slow to import, and every command imports this module.

    started = asyncio.create_task(work)

    def ended(done: asyncio.Task[T]) -> None:
        error = None if done.cancelled() else done.exception()
        if error is not None and failed(error) is False:
            done.get_loop().call_exception_handler(
                {"message": "a task failed", "exception": error, "task": done}
            )

    started.add_done_callback(ended)
    return started


def tell_loop(loop: asyncio.AbstractEventLoop) -> None:
    """Have an error in a callback of this loop, or in a task that nobody asks, stop the program."""

    def handle(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        if not isinstance(error, BaseException) or not fail(error):
            loop.default_exception_handler(context)

    loop.set_exception_handler(handle)
