"""How a command is stopped: by Ctrl-C, by `kill`, by a closed terminal; within two seconds, whatever it is doing.

The first signal unwinds the command, so that it puts away what it has opened. Others that follow change nothing: it is
ending already. What has not ended in time is broken off: no clean-up, broker, node or file is worth a command that
does not stop. A signal that the command was started to ignore (`nohup`, a shell's background) stays ignored.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any

NUMBERS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
SIGNAL_BASE = 128
"""A shell reports a program that ended by signal n as 128 + n."""
STOPPED_BY_CTRL_C = SIGNAL_BASE + signal.SIGINT
LIMIT_S = 1.2
"""From the signal to the end; two seconds are promised, and a loaded machine takes its part of them."""
LOST = b"\0"
"""Rung where the exception was lost; else the number of the signal is."""
AGAIN_S = 0.01
STREAMS = (1, 2)


class Stopped(KeyboardInterrupt):
    """A signal stops the command. No Exception: what takes those for a fault of a node must not take this."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.exit_code = SIGNAL_BASE + number


class Stopping:
    """Signals turned into `Stopped` in the main thread, and the time limit of the end."""

    def __init__(self, limit_s: float = LIMIT_S) -> None:
        self.number: int | None = None
        """The signal that stops the command; None while it runs."""
        self.instead: Callable[[], object] | None = None
        """Called instead of raising, by a command that ends its work at a place of its own."""
        self._limit_s = limit_s
        self._before: dict[int, Any] = {}
        self._hook_before = sys.unraisablehook
        self._terminals = [number for number in (0, *STREAMS) if _is_terminal(number)]

    def begin(self) -> None:
        """Take the signals; in the main thread."""
        self._main = threading.get_ident()
        self._heard, self._bell = os.pipe()
        os.set_blocking(self._bell, False)
        threading.Thread(target=self._limit, args=(self._heard,), name="stopping", daemon=True).start()
        self._wakeup_before = signal.set_wakeup_fd(self._bell, warn_on_full_buffer=False)
        self._hook_before, sys.unraisablehook = sys.unraisablehook, self._unraisable
        for number in NUMBERS:
            if signal.getsignal(number) is not signal.SIG_IGN:
                self._before[number] = signal.signal(number, self._handle)

    def end(self) -> None:
        """Give the signals back; in the main thread."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(self._wakeup_before)
        sys.unraisablehook = self._hook_before
        os.close(self._bell)

    @property
    def terminal_is_gone(self) -> bool:
        """Whether a terminal that the command was started on has been closed."""
        return any(_hung_up(number) for number in self._terminals)

    def _handle(self, number: int, _frame: FrameType | None) -> None:
        if self.number is not None:
            return
        self.number = number
        self.forget_terminal()
        if self.instead is not None:
            self.instead()
        else:
            raise Stopped(number)

    def forget_terminal(self) -> None:
        """Let what is still said go nowhere where nobody can read it: saying it would be an error."""
        for number in STREAMS:
            if _hung_up(number):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, number)
                os.close(nowhere)

    def _unraisable(self, lost: sys.UnraisableHookArgs) -> None:
        # Raised where no exception can come through, as when garbage is collected: to be raised again, behind that.
        if isinstance(lost.exc_value, Stopped):
            with suppress(OSError):
                os.write(self._bell, LOST)
        else:
            self._hook_before(lost)

    def _limit(self, heard: int) -> None:
        """Wait for a signal, on a thread of its own: the main one may not come to see it; then for the limit."""
        number, end = 0, float("inf")
        while (left := end - time.monotonic()) > 0:
            if not select.select([heard], [], [], None if left == float("inf") else left)[0]:
                continue
            rung = os.read(heard, 64)
            if not rung:  # The command has ended, and the process goes on: a test.
                os.close(heard)
                return
            if not number:
                number = next((one for one in rung if one in NUMBERS), 0)
                end = time.monotonic() + self._limit_s if number else end
            if LOST in rung:
                self._raise_again()
        self._break_off(self.number or number)

    def _raise_again(self) -> None:
        time.sleep(AGAIN_S)
        number, self.number = self.number, None
        # A true one, so that it ends what the thread waits for.
        signal.pthread_kill(self._main, number or signal.SIGINT)

    def _break_off(self, number: int) -> None:
        from conformance.files.whole_file import break_off

        lines = [*break_off(), "stopped; what was still being put away was broken off"]
        with suppress(OSError):
            os.write(2, "".join(f"{line}\n" for line in lines).encode(errors="replace"))
        os._exit(SIGNAL_BASE + number)


_current: Stopping | None = None


@contextmanager
def stoppable() -> Iterator[Stopping]:
    """The signals of this process stop what runs in the block. Within another such block, or beside the main thread,
    nothing is changed.
    """
    global _current
    if _current is not None or threading.current_thread() is not threading.main_thread():
        yield _current or Stopping()
        return
    _current = Stopping()
    _current.begin()
    try:
        yield _current
    finally:
        _current.end()
        _current = None


def unwrapped(ending: BaseException) -> BaseException:
    """The `Stopped` that Python or a library has made this error of, as an import does; else the error itself."""
    inner: BaseException | None = ending
    while inner is not None and not isinstance(inner, Stopped):
        inner = inner.__cause__ or (None if inner.__suppress_context__ else inner.__context__)
    return inner or ending


def asked() -> int | None:
    """The signal that stops the command, also where its exception was lost on the way; None for none."""
    return None if _current is None else _current.number


@contextmanager
def gently(stop: Callable[[], object]) -> Iterator[None]:
    """Have `stop` called instead of being unwound; it may raise `Stopped` itself, and has to end the work soon."""
    if _current is None:
        yield
        return
    before, _current.instead = _current.instead, stop
    try:
        yield
    finally:
        _current.instead = before


def end_process(code: int) -> None:
    """End at once where the command was stopped: there is nothing left to wait for."""
    if _current is None or _current.number is None:
        return
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(code)


def _is_terminal(number: int) -> bool:
    try:
        return os.isatty(number)
    except OSError:
        return False


def _hung_up(number: int) -> bool:
    """Whether nobody is left at the other end of this descriptor: a closed terminal, a pipe without its reader."""
    watch = select.poll()
    watch.register(number, 0)
    return any(event & (select.POLLERR | select.POLLHUP) for _, event in watch.poll(0))
