"""The core in C on the virtual bus: compiled as a library, on the tests' own clock."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from itertools import count
from pathlib import Path
from random import Random

from conformance.bench.virtual_bench import VirtualBench
from conformance.publish.firmware.site_header import site_header
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.sizes import publish_size
from protocol.specification import STATE_OF_ROLE
from protocol.topics import Topic
from tests.firmware.board import CORE, WARNINGS, compiled, site

HERE = Path(__file__).parent
TICK_MS = 2
KEPT = 16_384
NUMBERS = count()


def library(
    folder: Path, node: str, *, source: Path = CORE, of: Site | None = None, flags: Sequence[str] = ()
) -> ctypes.CDLL:
    """The core for a node as a library of its own, each time another one: it has its state within it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "yw_site.h").write_text(site_header(of or site(), node), encoding="utf-8")
    made = folder / f"node{next(NUMBERS)}.so"
    include = [f"-I{folder}", f"-I{source / 'src'}"]
    compiled(["gcc", *WARNINGS, *flags, "-O1", "-shared", "-fPIC", *include, HERE / "library.c", "-o", made])
    core = ctypes.CDLL(str(made))
    core.yw_will.restype = ctypes.c_uint8
    core.library_json.restype = core.library_cbor.restype = ctypes.c_uint16
    core.library_reads.restype = ctypes.c_bool
    core.library_boot.restype = ctypes.c_uint32
    core.library_position.restype = ctypes.c_int32
    return core


class CoreNode:
    """A node whose firmware is the core in C; a `protocol.participant.Participant`."""

    def __init__(
        self, core: ctypes.CDLL, of: Site, name: str, *, boot: int, now_ms: int, uptime: int = 0
    ) -> None:
        self._core, self._site, self._node = core, of, of.nodes[name]
        self._zero_ms = now_ms - uptime
        self._out = (ctypes.c_uint8 * KEPT)()
        self._at(now_ms)
        core.library_start(boot, True, 0)

    @property
    def client_id(self) -> str:
        return self._node.name

    @property
    def keep_alive_s(self) -> int:
        return self._node.keep_alive_s

    def will(self) -> Publication:
        payload = (ctypes.c_uint8 * 48)()
        return self._publication(0, bytes(payload[: self._core.yw_will(payload)]))

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return [(self._orders(self._node.name), 1), (self._orders("all"), 1)]

    def connected(self, now_ms: int) -> Sequence[Publication]:
        self._at(now_ms)
        self._core.yw_connected()
        return self._take()

    def disconnected(self, now_ms: int) -> None:
        self._at(now_ms)
        self._core.yw_disconnected()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self._at(now_ms)
        size = publish_size(len(delivery.topic.encode()), len(delivery.payload), qos=delivery.qos)
        if delivery.retain or size > self._node.buffer:
            return []
        to_all = delivery.topic == self._orders("all")
        self._core.yw_receive(delivery.payload, len(delivery.payload), to_all)
        return self._take()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        self._at(now_ms)
        self._core.yw_tick()
        return self._take()

    def next_tick(self, now_ms: int) -> int:
        return now_ms + TICK_MS

    def _at(self, now_ms: int) -> None:
        self._core.library_at((now_ms - self._zero_ms) & 0xFFFFFFFF)

    def _orders(self, name: str) -> str:
        return str(Topic(self._site.name, name, "job-order"))

    def _take(self) -> list[Publication]:
        size = self._core.library_take(self._out)
        said, at = bytes(self._out[:size]), 0
        taken = []
        while at < size:
            message, length = said[at], int.from_bytes(said[at + 1 : at + 3], "little")
            taken.append(self._publication(message, said[at + 3 : at + 3 + length]))
            at += 3 + length
        return taken

    def _publication(self, message: int, payload: bytes) -> Publication:
        names = ("node-status", STATE_OF_ROLE[self._node.roles[0]], "fault", "job-report")
        return self._named(names[message], payload)

    def _named(self, name: str, payload: bytes) -> Publication:
        topic = str(Topic(self._site.name, self._node.name, name))
        return Publication(topic, payload, self._node.qos, name != "job-report")


def virtual_bench(
    core: ctypes.CDLL, node: str, *, of: Site | None = None, seed: int = 1, uptime: int = 0
) -> VirtualBench:
    """A bench on virtual time around the core."""

    def make(boot: int, now_ms: int) -> CoreNode:
        return CoreNode(core, of or site(), node, boot=boot, now_ms=now_ms, uptime=uptime)

    return VirtualBench(make, Random(seed))
