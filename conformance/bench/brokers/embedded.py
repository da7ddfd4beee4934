"""The embedded broker: amqtt, fixed, on a thread and event loop of its own. Nothing has to be installed."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any, Self

from amqtt.contexts import BrokerConfig, ListenerConfig
from amqtt.errors import BrokerError

from conformance.bench.brokers.amqtt_fixed import MendedBroker
from conformance.bench.connection.address import Address
from conformance.bench.loop_thread import LoopThread
from conformance.bench.network import listening_trouble
from protocol.trouble import Trouble

START_TIMEOUT = 10.0
STOP_TIMEOUT = 5.0


class EmbeddedBroker:
    """Starts the embedded broker on entering and stops it on leaving. MQTT 3.1.1 only. Raises Trouble."""

    def __init__(
        self, bind: str = "127.0.0.1", port: int = 0, *, users: Mapping[str, str] | None = None
    ) -> None:
        """`port` 0 takes a free one; `users` (name to password) None lets anyone in."""
        self._users = users
        self._thread = LoopThread("embedded broker")
        self._broker: MendedBroker | None = None
        self.host = bind
        self.port = port
        self.name = f"embedded amqtt {version('amqtt')}"

    @property
    def address(self) -> Address:
        """Where it listens; credentials are those of its first user."""
        user, password = next(iter(self._users.items())) if self._users else (None, None)
        return Address(self.host, self.port, user, password)

    @property
    def url(self) -> str:
        """The URL with the first user's credentials."""
        return self.address.url

    def __enter__(self) -> Self:
        _quieten()
        self._thread.start()
        try:
            self._thread.call(self._start(), START_TIMEOUT)
        except BaseException:
            self._thread.stop()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            if self._broker is not None:
                # Past the time-out the loop is stopped with whatever still hangs on it.
                with contextlib.suppress(TimeoutError):
                    self._thread.call(self._broker.shutdown(), STOP_TIMEOUT)
        finally:
            self._broker = None
            self._thread.stop()

    async def _start(self) -> None:
        place = f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"
        # Left to itself amqtt listens on all addresses and loads plugins that log and publish by themselves.
        config = BrokerConfig(listeners={"default": ListenerConfig(bind=place)}, plugins={})
        asyncio.get_running_loop().set_exception_handler(_note)
        broker = MendedBroker(config, self._users)
        try:
            await broker.start()
        except BrokerError as error:
            if isinstance(error.__cause__, OSError):
                raise listening_trouble(self.host, self.port, error.__cause__) from error
            raise Trouble(f"the embedded broker did not start: {error}", where=place) from error
        self._broker = broker
        self.port = broker.bound_port


def _note(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Note what amqtt leaves unhandled: its tasks end in errors whenever a client leaves in the middle."""
    logging.getLogger("amqtt").debug(context["message"], exc_info=context.get("exception"))


def _quieten() -> None:
    """Keep the library's own log, which is about every client that leaves without a word, off the screen."""
    logger = logging.getLogger("amqtt")
    logger.propagate = False
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())
