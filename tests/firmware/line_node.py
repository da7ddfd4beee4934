"""The core in C behind a serial line: every message goes through frames, read and written by the kit's own framing."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from random import Random

from conformance.bench.virtual_bench import VirtualBench
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.specification import specification
from protocol.wire.serial.framing import Frame, FrameReader, encode_frame
from protocol.wire.serial.line_message import Bus, Connection, Here, read_here
from tests.firmware.board import site
from tests.firmware.participant import CoreNode

HERE = 0x01


class LineNode(CoreNode):
    """A node on a line, with a gateway that does as the chapter says and has no other side."""

    def __init__(
        self, core: ctypes.CDLL, of: Site, name: str, *, boot: int, now_ms: int, noise: Random | None = None
    ) -> None:
        super().__init__(core, of, name, boot=boot, now_ms=now_ms)
        self._boot, self._link, self._noise = boot, 0, noise
        self._reader = FrameReader()
        self.here: Here | None = None
        self._beat_ms = now_ms
        self._up = self.gateway_is_silent = False

    def connected(self, now_ms: int) -> Sequence[Publication]:
        self._link += 1
        self._up = True
        self._at(now_ms)
        self.say(Bus(Connection(self._boot, self._link), "new").frame())
        self.say(Bus(Connection(self._boot, self._link), "on").frame())
        return self._take()

    def disconnected(self, now_ms: int) -> None:
        self._up = False
        self._at(now_ms)
        self.say(Bus(Connection(self._boot, self._link), "off").frame())
        self._take()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self._at(now_ms)
        to_all = delivery.topic == self._orders("all")
        if not delivery.retain and len(delivery.payload) + 3 <= specification().most("frame"):
            kind = "job-order-to-all" if to_all else "job-order"
            self.say(Frame(specification().line_kinds[kind].number, delivery.payload))
        return self._take()

    def tick(self, now_ms: int) -> Sequence[Publication]:
        self._at(now_ms)
        if self._up and not self.gateway_is_silent and now_ms - self._beat_ms >= 800:
            self._beat_ms = now_ms
            self.say(Bus(Connection(self._boot, self._link), "on").frame())
        self._core.yw_line_tick()
        return self._take()

    def say(self, frame: Frame) -> None:
        """To the board, behind noise that ends before the frame's own flag; it comes round its main loop once."""
        noise = b"" if self._noise is None else self._noise.randbytes(self._noise.randrange(6)) + b"\x7e"
        for byte in noise + encode_frame(frame):
            self._core.yw_line_take(byte)
        self._core.yw_line_tick()

    def _take(self) -> list[Publication]:
        size = self._core.library_take(self._out)
        taken = []
        kinds = {kind.number: kind.carries for kind in specification().line_kinds.values() if kind.carries}
        for frame in self._reader.feed(bytes(self._out[:size])):
            if frame.kind == HERE:
                self.here = read_here(frame.payload)
                assert self.here is not None
            else:
                taken.append(self._named(str(kinds[frame.kind]), frame.payload))
        dropped = self._reader.dropped
        assert (dropped.stray, dropped.damaged, dropped.short, dropped.long, dropped.aborted) == (
            0,
            0,
            0,
            0,
            0,
        )
        return taken


def line_bench(core: ctypes.CDLL, node: str, *, noise: bool = False) -> VirtualBench:
    """A bench on virtual time around the core on a line."""

    def make(boot: int, now_ms: int) -> LineNode:
        return LineNode(core, site(), node, boot=boot, now_ms=now_ms, noise=Random(5) if noise else None)

    return VirtualBench(make, Random(1))
