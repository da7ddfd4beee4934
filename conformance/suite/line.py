"""A serial line as cases see it: what passed on it, and what may be done to it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from protocol.line_sizes import BITS, bytes_to_an_answer
from protocol.specification import specification
from protocol.wire.serial.framing import ESCAPE, FLAG, Frame, FrameReader
from protocol.wire.serial.line_message import Here, read_here

CHUNKS_KEPT = 40_000
"""So many pieces of what passed are kept as times and sizes alone; twice that before the older half is dropped."""

Damage = Callable[[bytes], bytes]
"""What a bad line makes of the bytes that pass."""


@dataclass(frozen=True, slots=True)
class SeenFrame:
    """One frame at the node's end of the line, or what stood between two flags and was none."""

    number: int
    at_ms: float
    from_node: bool
    raw: bytes
    """What stood between the flags, escapes and all."""
    frame: Frame | None
    """None for what was no frame."""

    @property
    def kind(self) -> str:
        """The name of its kind; '' for none that is known."""
        if self.frame is None:
            return ""
        kinds = specification().line_kinds.values()
        return next((kind.name for kind in kinds if kind.number == self.frame.kind), "")

    @property
    def here(self) -> Here | None:
        """What a 'here' says; None for anything else."""
        return read_here(self.frame.payload) if self.frame is not None and self.kind == "here" else None


class LineLog:
    """What passed on one line, oldest first."""

    def __init__(self) -> None:
        self.frames: list[SeenFrame] = []
        self.octets = 0
        """How many bytes the node's end has sent, frames or not."""
        self.damaged = 0
        """How often bytes were seen to be lost or changed, or to be no frame: what they said is lost."""
        self._between: dict[bool, bytearray | None] = {True: None, False: None}
        self._count = 0
        self._at_ms: list[float] = []
        self._bytes: list[int] = []
        """When each piece passed, and how many bytes had passed both ways by then."""
        # Every byte of a frame may be escaped; one more shows that it is too long.
        self._longest = 2 * specification().most("frame") + 2

    def add(self, data: bytes, *, from_node: bool, at_ms: float) -> None:
        """Enter bytes as they pass at the node's end; of what is longer than any frame the beginning is kept."""
        self.octets += len(data) if from_node else 0
        self._at_ms.append(at_ms)
        self._bytes.append(len(data) + (self._bytes[-1] if self._bytes else 0))
        if len(self._at_ms) > 2 * CHUNKS_KEPT:
            del self._at_ms[:CHUNKS_KEPT], self._bytes[:CHUNKS_KEPT]
        for octet in data:
            between = self._between[from_node]
            if octet != FLAG:
                if between is not None and len(between) < self._longest:
                    between.append(octet)
                continue
            if between:
                self._enter(bytes(between), from_node, at_ms)
            self._between[from_node] = bytearray()

    def _enter(self, raw: bytes, from_node: bool, at_ms: float) -> None:
        self._count += 1
        flag = bytes((FLAG,))
        frame = next(iter(FrameReader().feed(flag + raw + flag)), None)
        self.damaged += frame is None
        self.frames.append(SeenFrame(self._count, at_ms, from_node, raw, frame))

    def passed(self, begin_ms: float, end_ms: float) -> int:
        """How many bytes passed between two instants, both ways."""
        first, last = bisect_left(self._at_ms, begin_ms), bisect_left(self._at_ms, end_ms)
        if first == last:
            return 0
        return self._bytes[last - 1] - (self._bytes[first - 1] if first else 0)

    def since(self, number: int) -> Sequence[SeenFrame]:
        """Those behind frame `number`."""
        return [one for one in self.frames if one.number > number]

    def forget(self, keep: int) -> None:
        """Drop all but the newest `keep`."""
        del self.frames[: max(0, len(self.frames) - keep)]

    @property
    def end(self) -> int:
        """Number of the newest; 0 before the first."""
        return self._count


def canonical(inside: bytes) -> bytes:
    """What stands between the flags of a frame with these bytes: 0x7D and 0x7E escaped, and nothing else [SER-03]."""
    escaped = {FLAG: bytes((ESCAPE, FLAG ^ 0x20)), ESCAPE: bytes((ESCAPE, ESCAPE ^ 0x20))}
    return b"".join(escaped.get(octet, bytes((octet,))) for octet in inside)


class Line(ABC):
    """A line with a tap on it, at the node's end."""

    def __init__(self, rate: int) -> None:
        """`rate` in baud."""
        self.rate = rate
        self.port = ""
        """The path of the port that it is at; '' where it is at none."""
        self.log = LineLog()
        self.trouble = ""
        """Why the port is not there; '' while it is."""
        self.up: Damage = bytes
        """What becomes of the bytes of the node."""
        self.down: Damage = bytes
        """What becomes of those of the gateway."""

    @property
    def exchange_ms(self) -> float:
        """What the line may take of the time between an order and its report, other messages already on their way."""
        return bytes_to_an_answer() * BITS * 1000 / self.rate

    def busy_ms(self, begin_ms: float, end_ms: float) -> float:
        """How long the line was at work between two instants, for what stood or waited on it then, both ways.

        An order waits for what is on its way to the node, and its answer for what is on its way from there: so much
        of the time between them is the line's, and not the node's.
        """
        around_ms = specification().most("frame") * BITS * 1000 / self.rate
        return self.log.passed(begin_ms - around_ms, end_ms + around_ms) * BITS * 1000 / self.rate

    def came_up(self, data: bytes) -> bytes:
        """What becomes of bytes of the node."""
        return self._noted(data, self.up(data))

    def came_down(self, data: bytes, *, muted: bool) -> bytes:
        """What becomes of bytes of the gateway; `muted`: nothing."""
        return self._noted(data, b"" if muted else self.down(data))

    def _noted(self, sent: bytes, passed: bytes) -> bytes:
        self.log.damaged += sent != passed
        return passed

    @abstractmethod
    def send(self, raw: bytes) -> None:
        """Put bytes on the line towards the node, whatever they are, behind what is on its way."""

    @abstractmethod
    def mute(self, muted: bool) -> None:
        """Lose all that the gateway sends, until called with False; `send` still reaches the node."""
