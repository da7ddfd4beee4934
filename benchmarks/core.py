"""Reading, writing and judging single messages, against libraries that do a part of it."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from time import process_time
from typing import Any

from cbor2 import dumps, loads
from jsonschema import Draft202012Validator

from benchmarks.row import Row
from protocol.codec import encode
from protocol.recording import Header, RecordedMessage, RecordingReader, RecordingWriter
from protocol.schema_findings import validator_of
from protocol.site import Encoding
from protocol.validation import read_message
from tests.faulty_nodes.faulty import run_of

REPEATS = 3
COUNT = 20_000
STATUS: dict[str, Any] = {
    "boot": 4711, "seq": 17, "uptime": 123_456, "mark": 1_310_979, "job": 1_310_979, "job_state": "running",
    "held": False, "holds": 0, "mode": "working", "axes": [[480, 480, True], [180, 120, True], [0, 130, True]],
    "spreader": "closed", "load": "box",
}  # fmt: skip


def seconds(work: Callable[[], object]) -> float:
    """Processor time of `work`, the best of a few runs."""
    best = float("inf")
    for _ in range(REPEATS):
        began = process_time()
        work()
        best = min(best, process_time() - began)
    return best


def reading() -> tuple[str, float, str]:
    """Reading with validation against the `jsonschema` package alone, on the same message."""
    payload = encode("crane-status", STATUS, Encoding.JSON)
    plain = validator_of("crane-status", True)
    assert isinstance(plain, Draft202012Validator)
    few = COUNT // 20
    ours = seconds(lambda: [read_message("crane-status", payload, closed=True) for _ in range(COUNT)]) / 20
    theirs = seconds(lambda: [plain.is_valid(json.loads(payload)) for _ in range(few)])
    return (
        "jsonschema alone / reading with all checks, one JSON message",
        theirs / ours,
        f"{few / ours:,.0f}/s",
    )


def decoding() -> tuple[str, float, str]:
    """Reading CBOR with all checks against cbor2.loads, which checks nothing."""
    payload = encode("crane-status", STATUS, Encoding.CBOR)
    ours = seconds(lambda: [read_message("crane-status", payload, closed=True) for _ in range(COUNT)])
    theirs = seconds(lambda: [loads(payload) for _ in range(COUNT)])
    return (
        "reading with all checks / cbor2.loads alone, one CBOR message",
        ours / theirs,
        f"{COUNT / ours:,.0f}/s",
    )


def recording() -> tuple[str, float, str]:
    """Writing a recording against writing the same bytes with no format."""
    payload = encode("crane-status", STATUS, Encoding.CBOR)
    item = RecordedMessage(1, "yw1/harlow-basin/north/crane-status", payload, 1, True, False)
    raw = dumps((0, *item))
    header = Header("harlow-basin", "2026-01-01T00:00:00Z", "memory", "0")

    def ours() -> None:
        writer = RecordingWriter(io.BytesIO(), header)
        for _ in range(COUNT):
            writer.message(item)
        writer.flush()

    def theirs() -> None:
        file = io.BytesIO()
        for _ in range(COUNT):
            file.write(raw)

    took = seconds(ours)
    return (
        "writing a recording / writing the same bytes bare",
        took / seconds(theirs),
        f"{COUNT / took:,.0f}/s",
    )


def replaying() -> tuple[str, float, str]:
    """Reading a recording back against decoding the same items with cbor2 alone."""
    payload = encode("crane-status", STATUS, Encoding.CBOR)
    item = RecordedMessage(1, "yw1/harlow-basin/north/crane-status", payload, 1, True, False)
    file = io.BytesIO()
    writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "memory", "0"))
    for _ in range(COUNT):
        writer.message(item)
    writer.flush()
    raw = dumps((0, *item))
    ours = seconds(lambda: sum(1 for _ in RecordingReader(io.BytesIO(file.getvalue()))))
    theirs = seconds(lambda: [loads(raw) for _ in range(COUNT)])
    return "reading a recording / cbor2.loads of its items", ours / theirs, f"{COUNT / ours:,.0f}/s"


def judging() -> tuple[str, float, str]:
    """The whole suite for the reference crane on virtual time against the time that passes in it."""
    passed: list[float] = []

    def suite() -> None:
        run = run_of("north")
        run.perform()
        passed.append(run.fixture.bench.now_ms / 1000)

    took = seconds(suite)
    return "virtual time / processor time, suite for crane north", passed[-1] / took, f"{took:.2f} s"


def rows() -> Iterator[Row]:
    """All rows."""
    name, ratio, figures = reading()
    yield Row(name, ratio, 20, figures, at_least=True)
    for measure in (decoding, recording, replaying, judging):
        name, ratio, figures = measure()
        yield Row(name, ratio, None, figures)
