"""A board with firmware that may crash: what a Python exception does here, a wild pointer does there."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from protocol.participant import Delivery, Publication
from protocol.site import Site
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines

Firmware = Callable[[int, int, str], Controller]
"""Starts firmware with a boot, at an instant in ms, for a reset cause."""


class Crash(Exception):
    """The firmware ran into memory that is not its own."""


def firmware(
    controller: type[Controller], site: Site, node: str, *, bench: bool, machines: Machines
) -> Firmware:
    """Firmware of `controller` over machines that outlive its resets."""

    def start(boot: int, now_ms: int, cause: str) -> Controller:
        rng = random.Random(boot)
        return controller(
            site,
            node,
            boot=boot,
            bench=bench,
            machines=machines,
            rng=rng,
            reset_cause=cause,
            started_ms=now_ms,
        )

    return start


class Board:
    """Runs firmware; where that crashes the board hangs or, with a watchdog, starts again."""

    def __init__(
        self,
        make: Firmware,
        boot: int,
        now_ms: int,
        on_crash: Callable[[], None] = lambda: None,
    ) -> None:
        self._make, self._boot, self._on_crash = make, boot, on_crash
        self._node: Controller = make(boot, now_ms, "power-on")
        self._hung = False
        self.crashes: list[BaseException] = []

    @property
    def client_id(self) -> str:
        return self._node.client_id

    @property
    def keep_alive_s(self) -> int:
        return self._node.keep_alive_s

    def will(self) -> Publication | None:
        return self._node.will()

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return self._node.subscriptions()

    def connected(self, now_ms: int) -> Sequence[Publication]:
        return self._run(now_ms, lambda: self._node.connected(now_ms))

    def disconnected(self, now_ms: int) -> None:
        if not self._hung:
            self._node.disconnected(now_ms)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        return self._run(now_ms, lambda: self._node.receive(delivery, now_ms))

    def tick(self, now_ms: int) -> Sequence[Publication]:
        return self._run(now_ms, lambda: self._node.tick(now_ms))

    def next_tick(self, now_ms: int) -> int | None:
        return None if self._hung else self._node.next_tick(now_ms)

    def _run(self, now_ms: int, work: Callable[[], Sequence[Publication]]) -> Sequence[Publication]:
        if self._hung:
            return []
        try:
            return work()
        except Exception as error:  # noqa: BLE001 - any error of the firmware is a crash of the board
            self.crashes.append(error)
            self._on_crash()
            return self._crashed(now_ms)

    def _crashed(self, now_ms: int) -> Sequence[Publication]:
        if not getattr(self._node, "watchdog", False):
            self._hung = True
            return []
        # As if the modem kept the connection over the reset: the quickest restart that there is.
        self._boot = (self._boot + 1) % 65536
        self._node = self._make(self._boot, now_ms, "watchdog")
        return self._node.connected(now_ms)
