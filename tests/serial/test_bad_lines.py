"""What a bad line costs: messages, and time. Never a job done twice, and never a box lost."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest

from conformance.bench.serial.damage import BadLine
from conformance.bench.serial.virtual_line import VirtualLine
from protocol.codec import encode
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_message
from protocol.wire.packet import Publish
from protocol.wire.serial.framing import Frame, FrameReader, encode_frame
from tests.faulty_lines.faulty_line import bench_of, run_of
from tests.sample import sampled
from tests.serial.yard_on_lines import run_on_lines

WITHIN_MS = {0.001: 120_000, 0.01: 150_000, 0.05: 30_000}


@pytest.mark.parametrize(
    "grid",
    sampled(
        [
            (scenario, rate, seed)
            for scenario in ("04-one-train", "05-unload-and-load", "10-crane-reboots")
            for rate in WITHIN_MS
            for seed in (1, 2, 3)
        ],
        [("04-one-train", 0.01, 1), ("04-one-train", 0.05, 1)],
    ),
)
def test_no_job_is_done_twice_and_none_that_was_not_ordered(grid: tuple[str, float, int]) -> None:
    """Bytes flipped, lost and added on the lines of all four boards, both ways; a third of the damage each.

    With one byte in twenty hardly a frame comes through: nothing is done then, and that is all that happens.
    """
    scenario, rate, seed = grid
    went = run_on_lines(scenario, rate, seed, WITHIN_MS[rate])
    assert went.breaches == []
    assert went.bytes_damaged > went.bytes_passed * rate / 3
    assert went.goals_met is (rate < 0.05)


@pytest.mark.parametrize("kind", ["noise", "cut", "wrong_rate"])
def test_a_line_that_is_bad_for_a_while_is_well_again_afterwards(kind: str) -> None:
    bench = bench_of("siding")
    bench.wait(lambda: bench.serial.gateway.state == "on", 5000)
    bad = BadLine(Random(3))
    setattr(bad, kind, True if kind == "wrong_rate" else 0.05)
    bench.serial.up = bench.serial.down = bad
    bench.wait(lambda: False, 10_000)
    assert bad.damaged
    bench.serial.up = bench.serial.down = bytes
    assert bench.wait(lambda: bench.serial.gateway.state == "on", 6000)
    results = run_of(bench, "siding", ("orders-ask", "serial-status-again")).perform()
    assert {result.verdict.word for result in results.values()} == {"pass"}


def test_a_wrong_rate_is_silence() -> None:
    bench = bench_of("siding")
    bench.wait(lambda: bench.serial.gateway.state == "on", 5000)
    bench.serial.up = BadLine(Random(3), wrong_rate=True)
    bench.wait(lambda: False, 3100)
    assert bench.serial.gateway.opening is None, "the will is sent"


class _Unchecked(FrameReader):
    """The FCS is taken for right, whatever it is: what noise would do once in 65,536 times."""

    def _end(self) -> Frame | None:
        inside, escaped = self._inside, self._escaped
        too_long, self._inside, self._escaped, self._too_long = self._too_long, bytearray(), False, False
        if not inside or escaped or too_long or len(inside) < 3:
            return None
        return Frame(inside[0], bytes(inside[1:-2]))


TRANSFER = {
    "act": "transfer", "boot": 4711, "id": 70_001, "deadline": 90_000, "from": "stack-n", "from_slot": 1, "to": "ferry",
    "to_slot": 0, "box": "HBU-2041",
}  # fmt: skip


def forced_through(tries: int) -> tuple[int, int]:
    """Of damaged transfers whose FCS is not looked at: how many can be read, and how many of those a crane would carry
    out that are another order than was given.
    """
    chance, readable, harmful = Random(11), 0, 0
    payload = encode("job-order", TRANSFER, Encoding.CBOR)
    sent = encode_frame(Frame(0x82, payload))
    bad = BadLine(chance, flip=0.01, lose=0.005, insert=0.005)
    damaged = 0
    while damaged < tries:
        line = bad(sent)
        if line == sent:
            continue
        damaged += 1
        for frame in _Unchecked().feed(line):
            if frame.kind not in (0x82, 0x83) or frame.payload == payload:
                continue
            read = read_message("job-order", frame.payload, closed=False)
            if not read.readable or read.body is None:
                continue
            readable += 1
            same_boot_above = read.body.get("boot") == 4711 and int(str(read.body.get("id", 0))) > 70_000
            harmful += same_boot_above and read.body.get("act") == "transfer"
    return readable, harmful


def test_with_the_check_out_of_action_decoder_and_desk_refuse_most_and_the_rest_is_named() -> None:
    """docs/protocol/serial.md names the harm: a slot or a label can be another one. One in 65,536 comes so far."""
    tries = 1200
    readable, harmful = forced_through(tries)
    assert 0 < harmful <= readable
    # About one in seven would be carried out: of 65,536 times seven damaged transfers, one.
    assert 0.1 < harmful / tries < 0.18


def test_a_line_in_virtual_time_carries_no_faster_than_its_rate() -> None:
    slow = bench_of("siding", rate=1200)
    assert isinstance(slow.line, VirtualLine)
    slow.wait(lambda: slow.serial.gateway.state == "on", 10_000)
    frames = [one for one in slow.serial.log.frames if not one.from_node]
    gaps = [
        (later.at_ms - earlier.at_ms) - len(later.raw) * 10_000 / 1200 for earlier, later in pairwise(frames)
    ]
    assert gaps
    assert min(gaps) >= -1


def slowest_answer_ms(rate: int) -> float:
    """The longest time from an order to the report that answers it, as it passes at the node's end of the bus."""
    bench = bench_of("south", rate=rate)
    only = ("orders-ask", "orders-answer-time", "hold-obeyed")
    results = run_of(bench, "south", only).perform()
    assert {id_: results[id_].verdict.word for id_ in only} == dict.fromkeys(only, "pass")
    times: list[float] = []
    ordered_ms: float | None = None
    for trace in bench.log.traces:
        if isinstance(trace.packet, Publish) and trace.packet.topic.endswith("/job-order"):
            ordered_ms = trace.at_ms
        elif isinstance(trace.packet, Publish) and trace.packet.topic.endswith("/job-report"):
            if ordered_ms is not None:  # What comes behind the first tells how a job goes on.
                times.append(trace.at_ms - ordered_ms)
            ordered_ms = None
    assert len(times) >= len(only)
    return max(times)


def test_at_19200_baud_every_answer_is_in_time_and_at_9600_it_is_not() -> None:
    """The slowest rate of docs/protocol/serial.md; a sound node passes at both, for the line's time is not its own."""
    answer_ms = specification().most_ms("answer")
    assert slowest_answer_ms(19_200) <= answer_ms < slowest_answer_ms(9600)
