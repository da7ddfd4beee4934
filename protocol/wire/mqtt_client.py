"""paho's client, made to fail as a whole: after an error in a callback it is dead, and publishes nothing.

The only place that makes one: paho calls back on a thread of its own, and goes on when that thread is gone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from paho.mqtt.client import Client, MQTTMessageInfo

from protocol.wire.fail_stop import check, fail


class MqttClient(Client):
    """Keeps the first error of a callback in `failure`, and raises it in everything that is to be published."""

    failure: BaseException | None = None
    # Paho's destructor closes these, also where a signal broke off the constructor that names them.
    _sock = _sockpairR = _sockpairW = None  # noqa: N815 - its names

    def __setattr__(self, name: str, value: Any) -> None:
        """Guard whatever is set as a callback, those of later versions of paho too."""
        if name.startswith("on_") and value is not None:
            value = self._guarded(value)
        super().__setattr__(name, value)

    def publish(self, *arguments: Any, **options: Any) -> MQTTMessageInfo:
        """As paho's. Raises Failed, or RuntimeError where a callback of this client has failed."""
        check()
        self.raise_failure()
        return super().publish(*arguments, **options)

    def raise_failure(self) -> None:
        """Raise RuntimeError where a callback has failed."""
        if self.failure is not None:
            raise RuntimeError("a callback of the MQTT client failed") from self.failure

    def loop_forever(self, *arguments: Any, **options: Any) -> Any:
        """As paho's, which its own thread runs."""
        try:
            return super().loop_forever(*arguments, **options)
        except BaseException as error:
            self._fail(error)
            raise  # The thread ends by it, and with it all that waits to be sent.

    def message_callback_add(self, sub: str, callback: Any) -> None:
        """As paho's."""
        super().message_callback_add(sub, self._guarded(callback))

    def _guarded(self, callback: Callable[..., Any]) -> Callable[..., Any]:
        def guarded(*arguments: Any) -> Any:
            try:
                return callback(*arguments)
            except BaseException as error:
                self._fail(error)
                raise

        return guarded

    def _fail(self, error: BaseException) -> None:
        self.failure = self.failure or error
        fail(error)
