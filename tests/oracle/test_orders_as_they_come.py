"""What comes to a node and how long it may take: orders that can be read or not, too fast or too late, and memory."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.answer_time import AnswerTime
from conformance.oracle.disturbances import EXCUSED_MS, SETTLED_MS, Disturbances, played_ms
from conformance.oracle.finding import Finding, Oracle, oracle_of
from conformance.oracle.link_log import Message, Trace
from conformance.oracle.memory_trend import LEAK, MOST, SAMPLES, SHARE, MemoryTrend
from conformance.oracle.order_reading import BACKLOG, LOOKED_BACK_MS, OrderReading
from conformance.oracle.timing import Timing
from protocol.codec import encode
from protocol.site import Encoding
from protocol.site_file import scenario
from protocol.validation import read_message
from protocol.wire.packet import Publish
from tests.oracle.messages import Said

SITE = scenario()
EVERYONE = "yw1/harlow-basin/all/job-order"


# ---------------------------------------------------------------- memory
def test_the_best_of_each_part_counts() -> None:
    """MSG-13; a leak is 64 bytes a part, or a share of a large heap."""
    part = SAMPLES // 3
    for heap in (10_000, 100_000):
        step = max(LEAK, heap // SHARE)
        for first, second, sinks in (
            (step + 1, step + 1, True),
            (step, step + 1, False),
            (step + 1, step, False),
        ):
            trend = MemoryTrend()
            said = [heap] * part + [heap - first] * part + [heap - first - second] * part
            low = [one - 5_000 if at % part else one for at, one in enumerate(said)]
            for every in (said, low):
                found = [trend.sinks(one) for one in every]
                assert found[:-1] == [""] * (SAMPLES - 1)
                assert (found[-1] != "") is sinks
    trend = MemoryTrend()
    assert [trend.sinks(None), trend.sinks(MOST), trend._seen] == ["", "", []]
    for one in said[:-1]:
        trend.sinks(one)
    trend.clear()
    assert trend.sinks(said[-1]) == ""


# ---------------------------------------------------------------- orders as they come
def reading(rate: float = 0, *, still: float = 0.0, node: str = "south") -> OrderReading:
    timing = Timing(lambda *_: None, Counter())
    return OrderReading(SITE.nodes[node], EVERYONE, rate, timing, lambda _begin, _end: still)


def order(payload: bytes, encoding: Encoding | None = Encoding.JSON, topic: str = "yw1/harlow-basin/south/job-order",
          at_ms: float = 0.0) -> Message:  # fmt: skip
    trace = Trace(1, 1, at_ms, False, 60, Publish(topic, payload, 1, False, False, 1))
    body = read_message("job-order", payload, closed=False, explain=False).body or {}
    return Message(trace, topic, payload, 1, False, "job-order", body, encoding, ())


HOLD, ASK = {"act": "hold"}, {"act": "ask", "token": 4}


@pytest.mark.parametrize(
    ("body", "encoding", "topic", "minor", "is_"),
    [
        (HOLD, Encoding.JSON, "", 1, True),
        (HOLD, Encoding.CBOR, "", 1, False),
        (HOLD, Encoding.JSON, EVERYONE, 1, True),
        (ASK, Encoding.JSON, EVERYONE, 1, False),
        (ASK, Encoding.JSON, EVERYONE, None, False),
        (ASK, Encoding.JSON, EVERYONE, 0, None),
        (ASK, Encoding.JSON, "", 0, True),
    ],
)
def test_what_is_written_as_it_must_be_is_read_in_the_encodings_of_the_node(
    body: dict[str, Any], encoding: Encoding, topic: str, minor: int | None, is_: bool | None
) -> None:
    """ENC-08; HLD-07: nothing but a hold from the topic of all."""
    payload = encode("job-order", body, encoding)
    came = order(payload, encoding, topic or "yw1/harlow-basin/south/job-order")
    assert reading().readable(came, minor) is is_
    both = reading(node="north").readable(came, minor)
    assert both is (True if encoding is Encoding.CBOR else is_)


def test_what_is_written_otherwise_may_be_read_or_not() -> None:
    """ENC-14; a field that nobody knows is passed over by all [ENC-09]."""
    assert reading().readable(order(b'{"act": "hold"}'), 1) is None
    assert reading().readable(order(b'{"act":"hold","colour":3}'), 1) is True
    assert reading().readable(order(b'{"act":"hold"'), 1) is False


@pytest.mark.parametrize(("rate", "gap_ms", "backlog", "fast"), [(4, 200, BACKLOG, True), (4, 200, BACKLOG - 1, False),
                                                                (4, 250, BACKLOG, True), (4, 251, BACKLOG, False),
                                                                (5, 200, BACKLOG + 1, True), (6, 200, BACKLOG, False),
                                                                (0, 1, BACKLOG, False)])  # fmt: skip
def test_more_in_a_second_than_was_promised_may_be_lost(
    rate: float, gap_ms: int, backlog: int, fast: bool
) -> None:
    """ORD-19."""
    read = reading(rate)
    payload = encode("job-order", HOLD, Encoding.JSON)
    seen = [read.too_fast(order(payload, at_ms=float(gap_ms * number)), backlog) for number in range(9)]
    assert seen[-1] is fast
    assert seen[0] is False
    read.forget()
    assert read.too_fast(order(payload, at_ms=gap_ms * 9.0), backlog) is False


def test_a_deadline_is_not_judged_where_the_machine_stood_still() -> None:
    run = {"act": "run", "boot": 7, "id": 9, "to": "quay-s", "deadline": 5}
    late = order(encode("job-order", run, Encoding.JSON), at_ms=1_000.0)
    for still, is_ in ((0.0, True), (1.0, None)):
        read = reading(still=still)
        assert read.late(late) is None, "its uptime is not known"
        said = Said()("fault", uptime=900)
        read._timing.said(said, setting=False, told=False, excused=False)
        assert said.at_ms == 100.0
        assert read.late(late) is is_
        assert read.late(order(encode("job-order", HOLD, Encoding.JSON))) is None


# ---------------------------------------------------------------- the time of an answer
def test_the_time_of_an_answer_grows_by_what_held_it_up() -> None:
    quiet = Disturbances(lambda: 0)
    assert AnswerTime(300.0, quiet, lambda *_: 0.0, lambda *_: 0.0).within_ms(5_000.0) == 300.0
    asked: list[tuple[float, float]] = []

    def still(begin_ms: float, end_ms: float) -> float:
        asked.append((begin_ms, end_ms))
        return 40.0

    assert AnswerTime(300.0, quiet, still, lambda *_: 0.0).within_ms(5_000.0) == 340.0
    assert asked == [(5_000.0 - LOOKED_BACK_MS, 5_000.0)]
    busy = Disturbances(lambda: 0)
    busy.overrun(4_000.0)
    assert AnswerTime(300.0, busy, lambda *_: 0.0, lambda *_: 0.0).within_ms(5_000.0) == 300.0 + EXCUSED_MS


def test_a_line_that_was_at_work_is_looked_at_for_as_long_as_it_was() -> None:
    """A line at work half of the time: the time that it took lies in the time that is looked at."""
    quiet = Disturbances(lambda: 0)
    half = AnswerTime(300.0, quiet, lambda *_: 0.0, lambda begin, end: (end - begin) / 2)
    assert 598.0 < half.within_ms(50_000.0) <= 600.0
    always = AnswerTime(300.0, quiet, lambda *_: 0.0, lambda begin, end: end - begin)
    assert always.within_ms(50_000.0) == 300.0 + 300.0 * (LOOKED_BACK_MS // 300 + 1)


def test_a_stimulus_plays_for_as_long_as_its_inputs_and_their_debounce() -> None:
    assert played_ms({"inputs": [("end", 1, 30), ("end", 0, 70)]}) == 100.0 + SETTLED_MS
    assert played_ms({"inputs": []}) == SETTLED_MS


# ---------------------------------------------------------------- a finding
def test_findings_that_differ_in_numbers_are_of_one_kind() -> None:
    one, other = (Finding("ORD-08", f"mark {n}, and {m}", Oracle.MARK) for n, m in ((3, "-4"), (5, "6.5")))
    assert one.key == other.key == "ORD-08 mark #, and #"
    assert (one.at, str(one)) == (0, "ORD-08: mark 3, and -4")
    assert (oracle_of("ORD-08"), oracle_of("LNK-01")) == (Oracle.MARK, Oracle.ANSWER)
