"""Runs amqtt without any fixing: prints its port, and serves until it is killed."""

from __future__ import annotations

import asyncio
import logging
import sys

from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig


class Open(Broker):  # type: ignore[misc]
    """Lets anyone in, without the library's notion that nobody anonymous has a session."""

    async def _authenticate(self, session: object, listener: object) -> bool:
        return True


async def main() -> None:
    logging.disable()
    broker = Open(BrokerConfig(listeners={"default": ListenerConfig(bind="127.0.0.1:0")}, plugins={}))
    await broker.start()
    port = broker._servers["default"].instance.sockets[0].getsockname()[1]
    sys.stdout.write(f"{port}\n")
    sys.stdout.flush()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main())
