"""A supervisor under test behind the tap, and simulated nodes as clients of the broker."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from random import SystemRandom
from typing import Self

from conformance.bench.connection.address import Address
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.peers.yard import simulated_nodes
from conformance.suite.brief import Brief
from conformance.suite.verdict import Unclear
from conformance.suite.yard_bench import YardBench
from protocol.participant import Participant, Publication
from protocol.site import Site
from protocol.specification import specification
from protocol.topics import Topic
from protocol.wire.mqtt import MqttHost

Starter = Callable[[Brief], None]
"""Starts the supervisor again as a brief says. Raises Unclear where it could not."""


class WireYard(WireBench, YardBench):
    """Entering it connects the tester and every simulated node. Leaving it takes their words off the broker."""

    judges_orders = False

    def __init__(
        self,
        tap: Tap,
        broker: Address,
        site: Site,
        start: Starter | None,
        failure: Callable[[], str] = str,
    ) -> None:
        """`failure` tells how the program that `start` has started failed; '' while it has not."""
        super().__init__(tap, broker)
        self._failure = failure
        self._site, self._begin, self._address = site, start, broker
        self.can_restart = start is not None
        self._nodes = simulated_nodes(site, SystemRandom())
        self._hosts: dict[str, MqttHost] = {}
        self._open = ExitStack()

    def __enter__(self) -> Self:
        super().__enter__()
        try:
            for name, node in self._nodes.items():
                host = self._address.client(node)
                host.start()
                self._open.callback(host.stop)
                self._hosts[name] = host
        except BaseException:
            self._open.close()
            super().__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._open.close()
            self._take_back()
        finally:
            super().__exit__()

    def _take_back(self) -> None:
        """Nobody shall find the words of a node that was only played."""
        for name, node in self._nodes.items():
            for message in specification().states_of(node.node.roles):
                self.take_off_broker(str(Topic(self._site.name, name, message)))

    def _call(self, name: str, work: Callable[[Participant, int], Sequence[Publication]]) -> None:
        self._hosts[name].call(work)

    def failure(self) -> str:
        """How the program of the supervisor has failed."""
        return self._failure()

    def restart_with(self, brief: Brief) -> None:
        """Another life of the supervisor."""
        if self._begin is None:
            raise Unclear("there is no way to restart the supervisor")
        self._begin(brief)
