"""The node in MicroPython on the virtual bus: a process with no clock of its own, told what happens and when."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random

from conformance.bench.virtual_bench import VirtualBench
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.site_file import scenario
from protocol.sizes import publish_size
from protocol.topics import Topic
from tests.micropython.interpreter import FIRMWARE, PROGRAMS, site_for, started


class MicroPythonNode:
    """A node whose firmware runs in MicroPython; a `protocol.participant.Participant`."""

    def __init__(
        self,
        folder: Path,
        of: Site,
        name: str,
        *,
        boot: int,
        now_ms: int,
        uptime: int = 0,
        package: Path = FIRMWARE,
    ) -> None:
        self._site, self._node = of, of.nodes[name]
        self._zero_ms = now_ms - uptime
        self._wait_ms = 0
        self._now_ms = now_ms
        arguments = (boot, now_ms - self._zero_ms)
        self._process = started(PROGRAMS / "virtual_node.py", arguments, site_for(folder, of, name), package)

    @property
    def client_id(self) -> str:
        return self._node.name

    @property
    def keep_alive_s(self) -> int:
        return self._node.keep_alive_s

    def will(self) -> Publication:
        return self._told(self._now_ms, "will")[0]

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return [(self._orders(self._node.name), 1), (self._orders("all"), 1)]

    def connected(self, now_ms: int) -> Sequence[Publication]:
        return self._told(now_ms, "connected")

    def disconnected(self, now_ms: int) -> None:
        self._told(now_ms, "disconnected")

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        size = publish_size(len(delivery.topic.encode()), len(delivery.payload), qos=delivery.qos)
        if delivery.retain or size > self._node.buffer:
            return []
        to_all = delivery.topic == self._orders("all")
        return self._told(now_ms, "all" if to_all else "own", delivery.payload)

    def tick(self, now_ms: int) -> Sequence[Publication]:
        return self._told(now_ms, "tick")

    def next_tick(self, now_ms: int) -> int:
        return now_ms + self._wait_ms

    def stop(self) -> None:
        """Its power is gone."""
        self._process.kill()
        self._process.communicate()

    def _orders(self, name: str) -> str:
        return str(Topic(self._site.name, name, "job-order"))

    def _told(self, now_ms: int, what: str, payload: bytes = b"") -> list[Publication]:
        """What it says when it is told that something has happened."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._now_ms = now_ms
        said: list[Publication] = []
        with suppress(BrokenPipeError):  # Then its output says why.
            self._process.stdin.write(f"{now_ms - self._zero_ms} {what} {payload.hex()}\n".encode())
            self._process.stdin.flush()
        while True:
            line = self._process.stdout.readline()
            words = line.split()
            if len(words) == 1:
                self._wait_ms = int(words[0])
                return said
            assert len(words) == 2, (line + self._process.stdout.read()).decode()
            said.append(self._named(words[0].decode(), bytes.fromhex(words[1].decode())))

    def _named(self, message: str, payload: bytes) -> Publication:
        topic = str(Topic(self._site.name, self._node.name, message))
        return Publication(topic, payload, self._node.qos, message != "job-report")


@contextmanager
def virtual_bench(
    folder: Path,
    node: str,
    *,
    of: Site | None = None,
    seed: int = 1,
    uptime: int = 0,
    package: Path = FIRMWARE,
) -> Iterator[VirtualBench]:
    """A bench on virtual time around the node; none of its processes is left."""
    made: list[MicroPythonNode] = []

    def make(boot: int, now_ms: int) -> MicroPythonNode:
        for before in made:
            before.stop()
        made.append(
            MicroPythonNode(
                folder, of or scenario(), node, boot=boot, now_ms=now_ms, uptime=uptime, package=package
            )
        )
        return made[-1]

    try:
        yield VirtualBench(make, Random(seed))
    finally:
        for one in made:
            one.stop()
