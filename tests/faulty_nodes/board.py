"""A board whose firmware crashes: it hangs, and says nothing more until it is reset."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from protocol.participant import Delivery, Participant, Publication


class Board:
    """A participant around another one, dead from its first exception on."""

    def __init__(self, firmware: Participant) -> None:
        self._firmware = firmware
        self.crash: Exception | None = None

    @property
    def client_id(self) -> str:
        """That of the firmware."""
        return self._firmware.client_id

    @property
    def keep_alive_s(self) -> int:
        """That of the firmware."""
        return self._firmware.keep_alive_s

    def will(self) -> Publication | None:
        """That of the firmware."""
        return self._firmware.will()

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Those of the firmware."""
        return self._firmware.subscriptions()

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """What the firmware says, if it still runs."""
        return [] if self.crash else self._run(lambda: self._firmware.connected(now_ms))

    def disconnected(self, now_ms: int) -> None:
        """Told to the firmware, if it still runs."""
        if not self.crash:
            self._firmware.disconnected(now_ms)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """What the firmware says, if it still runs."""
        return [] if self.crash else self._run(lambda: self._firmware.receive(delivery, now_ms))

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """What the firmware says, if it still runs."""
        return [] if self.crash else self._run(lambda: self._firmware.tick(now_ms))

    def next_tick(self, now_ms: int) -> int | None:
        """When the firmware wants to run; never again once it hangs."""
        return None if self.crash else self._firmware.next_tick(now_ms)

    def _run(self, work: Callable[[], Sequence[Publication]]) -> Sequence[Publication]:
        try:
            return work()
        except Exception as error:  # noqa: BLE001 - whatever wrong firmware does
            self.crash = error
            return []
