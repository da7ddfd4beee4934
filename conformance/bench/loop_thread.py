"""An asyncio event loop on a thread of its own, for relays and brokers beside synchronous code."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

from protocol.wire.fail_stop import tell_loop

T = TypeVar("T")


class LoopThread:
    """Runs one event loop; work is handed in from other threads and its result waited for."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the loop; returns when it runs."""
        running = threading.Event()
        loop = asyncio.new_event_loop()
        tell_loop(loop)

        def run() -> None:
            asyncio.set_event_loop(loop)
            loop.call_soon(running.set)
            try:
                loop.run_forever()
            finally:
                _finish(loop)

        self._loop = loop
        # A daemon, so that a fault elsewhere never keeps the process from ending.
        self._thread = threading.Thread(target=run, name=self._name, daemon=True)
        self._thread.start()
        running.wait()

    def call(self, work: Coroutine[Any, Any, T], timeout: float | None = None) -> T:
        """Run a coroutine on the loop: its result or error, or TimeoutError after `timeout` seconds."""
        future = asyncio.run_coroutine_threadsafe(work, self.loop)
        try:
            return future.result(timeout)
        except BaseException:
            future.cancel()
            raise

    def run(self, work: Callable[[], T]) -> T:
        """Run a plain function on the loop and give its result."""

        async def wrapped() -> T:
            return work()

        if threading.current_thread() is self._thread:
            return work()
        return self.call(wrapped())

    @property
    def loop(self) -> asyncio.AbstractEventLoop:
        """The loop. Raises RuntimeError when it is not running."""
        if self._loop is None:
            raise RuntimeError(f"the {self._name} has not been started")
        return self._loop

    def stop(self, timeout: float = 5.0) -> None:
        """Cancel whatever still runs, close the loop and join the thread; does nothing when not running."""
        if self._loop is None or self._thread is None:
            return
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(timeout)
        self._loop = self._thread = None


def _finish(loop: asyncio.AbstractEventLoop) -> None:
    """What asyncio.run does at the end: cancel, let the cancelled finish, close."""
    left = asyncio.all_tasks(loop)
    for task in left:
        task.cancel()
    if left:
        loop.run_until_complete(asyncio.wait(left, timeout=2.0))
    # A client that came at the last moment was accepted after its server had gone: nobody else closes it.
    for transport in list(getattr(loop, "_transports", {}).values()):
        transport.abort()
    loop.run_until_complete(asyncio.sleep(0))
    loop.run_until_complete(loop.shutdown_asyncgens())
    loop.close()
