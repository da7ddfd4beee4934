"""What a gateway adds to the time of a line, and what bytes that are damaged cost."""

from __future__ import annotations

import os
import queue
import socket
import sys
import time
from collections.abc import Iterator
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks.row import Row
from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.processes.peer_process import PeerProcess, peer_process
from protocol.codec import encode
from protocol.site import Encoding
from protocol.wire.endpoint import Endpoint
from protocol.wire.serial.framing import Frame, FrameReader, encode_frame
from protocol.wire.serial.gateway import Fleet, Gateway
from protocol.wire.serial.line_message import Connection, Here
from protocol.wire.serial.port import SerialPort
from tests.serial.cable import BITS, Cable
from tests.serial.gateway_stand import SITE, status_payload
from tests.serial.yard_on_lines import run_on_lines

ROUNDS = 300
NAME = "siding"
RATES = (19_200, 115_200)
BYTE_ERRORS = (0.0, 0.001, 0.01, 0.05)
HERE_S = 0.5
QUIET_MS = 1.0
"""Waiting for a processor from which on a round says more of the machine than of the gateway."""
BUSY_ROUNDS = 10
LEAST_ROUNDS = 40


class RawBoard:
    """The board's end of a cable, octet by octet: it answers nothing by itself."""

    def __init__(self, path: str) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
        os.set_blocking(self._fd, False)
        self._reader = FrameReader()
        self._here_at = 0.0
        self._wants = True

    def write(self, frame: Frame) -> int:
        """Put a frame on the line; gives its octets."""
        raw = encode_frame(frame)
        os.write(self._fd, raw)
        return len(raw)

    def frames(self) -> Iterator[tuple[float, Frame]]:
        """What comes, for ever, each with the time of its last octet; says 'here' meanwhile."""
        while True:
            now = time.monotonic()
            if now - self._here_at > HERE_S:
                self._here_at = now
                mine = Connection(7, 1)
                self.write((Here(mine, SITE.name, NAME) if self._wants else Here(mine)).frame())
            try:
                data = os.read(self._fd, 4096)
            except BlockingIOError:
                time.sleep(0.0001)
                continue
            for frame in self._reader.feed(data):
                yield time.monotonic(), frame

    def join(self) -> Iterator[tuple[float, Frame]]:
        """Come onto the bus; gives what comes from then on."""
        coming = self.frames()
        next(frame for _, frame in coming if frame.kind == 0x81 and b"\x09\x02" in frame.payload)
        self._wants = False
        self.write(Frame(0x02, status_payload(7, 1)))
        return coming

    def close(self) -> None:
        """Let go of the cable."""
        os.close(self._fd)


class Quiet:
    """Whether this program and the broker had a processor whenever they wanted one, as the kernel tells."""

    def __init__(self, broker: Broker, listener: Client) -> None:
        sock = listener.socket()
        assert isinstance(sock, socket.socket)
        found = peer_process((broker.host, broker.port), sock.getsockname()[:2])
        self.told = found is not None
        """Linux alone tells it."""
        self._both = None if found is None else PeerProcess(os.getpid(), found.process_id)

    def looked(self) -> bool:
        """Whether neither has waited since the last look."""
        return self._both is None or self._both.waited_ms() < QUIET_MS


def latencies(broker: Broker, rate: int, rounds: int) -> tuple[list[float], list[float], bool]:
    """Ms beyond the line's own time, to the board and from it, the broker's own time included; sorted.

    A round in which a program on the way waited for a processor is played again, up to `BUSY_ROUNDS` of them to one;
    the third is whether the kernel tells that.
    """
    heard: queue.Queue[float] = queue.Queue()
    listener = Client(CallbackAPIVersion.VERSION2, client_id="listener")
    listener.on_message = lambda *_: heard.put(time.monotonic())
    listener.connect(broker.host, broker.port)
    listener.subscribe(f"yw1/{SITE.name}/{NAME}/job-report", 1)
    listener.loop_start()
    endpoint = Endpoint(broker.host, broker.port)
    down, up = [], []
    with Cable(rate) as cable:
        ports = [(cable.host, lambda: SerialPort(cable.host, rate))]
        with Gateway(ports, Fleet(SITE.name, SITE.nodes, lambda _name: endpoint), rate=rate):
            board = RawBoard(cable.board)
            coming = board.join()
            quiet = Quiet(broker, listener)
            for number in range(rounds * BUSY_ROUNDS):
                order = _order(number)
                quiet.looked()
                began = time.monotonic()
                listener.publish(f"yw1/{SITE.name}/{NAME}/job-order", order, 1)
                at, frame = next((at, one) for at, one in coming if one.kind == 0x82)
                to_ms = (at - began) * 1000 - _line_ms(frame, rate)
                report = Frame(0x07, order)
                began = time.monotonic()
                board.write(report)
                from_ms = (heard.get(timeout=5) - began) * 1000 - _line_ms(report, rate)
                if quiet.looked():
                    down.append(to_ms)
                    up.append(from_ms)
                if len(down) == rounds:
                    break
                time.sleep(0.005)
            board.close()
    listener.disconnect()
    listener.loop_stop()
    return sorted(down), sorted(up), quiet.told


def bare_bridge(broker: Broker, rate: int, rounds: int) -> list[float]:
    """The same way to the board with no gateway but a callback that writes a frame: what the machine takes; sorted."""
    found = []
    with Cable(rate) as cable:
        host, board = os.open(cable.host, os.O_RDWR | os.O_NOCTTY), RawBoard(cable.board)
        client = Client(CallbackAPIVersion.VERSION2, client_id="bridge")

        def pass_on(_client: Client, _data: Any, one: MQTTMessage) -> None:
            os.write(host, encode_frame(Frame(0x82, bytes(one.payload))))

        client.on_message = pass_on
        client.connect(broker.host, broker.port)
        sock = client.socket()
        assert isinstance(sock, socket.socket)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client.subscribe("bridge", 1)
        client.loop_start()
        time.sleep(0.2)
        coming = board.frames()
        for number in range(rounds):
            began = time.monotonic()
            client.publish("bridge", _order(number), 1)
            at, frame = next((at, one) for at, one in coming if one.kind == 0x82)
            found.append((at - began) * 1000 - _line_ms(frame, rate))
            time.sleep(0.005)
        client.disconnect()
        client.loop_stop()
        board.close()
        os.close(host)
    return sorted(found)


def _percentiles(found: list[float]) -> tuple[float, float, str]:
    middle, late = found[len(found) // 2], found[len(found) * 95 // 100]
    return middle, late, f"median {middle:.2f} ms, 95th percentile {late:.2f} ms of {len(found)}"


def _order(number: int) -> bytes:
    body: dict[str, Any] = {"act": "ask", "token": number}
    return encode("job-order", body, Encoding.CBOR)


def _line_ms(frame: Frame, rate: int) -> float:
    return len(encode_frame(frame)) * BITS * 1000 / rate


def rows() -> Iterator[Row]:
    """What it takes at each rate with a gateway, over a bare bridge; then a full cycle at each rate of byte errors."""
    with start_broker("mosquitto") as broker:
        for rate in RATES:
            _, least, bare = _percentiles(bare_bridge(broker, rate, ROUNDS))
            yield Row(f"ms beyond the line, bare bridge at {rate:,} baud, 95 %", least, None, bare)
            *both, told = latencies(broker, rate, ROUNDS)
            for way, found in zip(("to", "from"), both, strict=True):
                if len(found) < LEAST_ROUNDS:
                    print(f"not measured: {len(found)} quiet rounds at {rate:,} baud", file=sys.stderr)
                    continue
                _, late, figures = _percentiles(found)
                what = f"ms beyond the line {way} a board at {rate:,} baud, while no program waited, 95 %"
                # Where nobody tells when one waits, what the machine takes for a bare bridge is taken off.
                yield Row(what, late if told else late - least, 5, figures)
    for errors in BYTE_ERRORS:
        went = run_on_lines("21-full-cycle", errors, 5, 900_000)
        figures = (
            f"{went.bytes_damaged:,} of {went.bytes_passed:,} bytes damaged, {went.jobs_done} jobs done in "
            f"{went.seconds:.0f} s, all goals met: {'yes' if went.goals_met else 'no'}"
        )
        yield Row(f"broken rules at {errors:.1%} byte errors", len(went.breaches), 0, figures)
