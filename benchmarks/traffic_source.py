"""Recordings of any length for measurements: runs of the simulated harlow-basin, one after the other.

Each run has boots and boxes of its own; in the faulty kind five messages of every 25th run are left out.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import cbor2

from examples.yard_on_virtual_time import run
from protocol.bulk_reading import BulkReader
from protocol.codec.shape import shape_for
from protocol.codec.words import to_numbers
from protocol.recording import Header, RecordedMessage, RecordingReader, RecordingWriter
from protocol.site import Encoding

PAUSE_US = 2_000_000
FAULT_EVERY = 25
LEFT_OUT = 5
BOOTS = ("boot", "order_boot", "berth_boot", "shuttle_boot")
Template = tuple[int, str, dict[Any, Any], Encoding, list[Any]]
"""Time, topic, body as it is encoded, encoding, and the keys of the body that are boots."""


def make(path: Path, messages: int, *, seed: int, faults: bool = False) -> int:
    """Write a recording of at least `messages` messages; gives how many there are."""
    templates = _templates()
    length = templates[-1][0] + PAUSE_US
    rng = Random(seed)
    with path.open("wb", buffering=0) as file:
        writer = RecordingWriter(file, Header("harlow-basin", "2026-05-02T10:00:00+00:00", "virtual", "0"))
        round_ = 0
        while writer.messages < messages:
            bad = faults and round_ % FAULT_EVERY == FAULT_EVERY - 1
            for item in _round(templates, round_, length, rng, bad=bad):
                writer.message(item)
            writer.flush()
            round_ += 1
        writer.end(round_ * length)
        return writer.messages


def _round(
    templates: list[Template], round_: int, length: int, rng: Random, *, bad: bool
) -> Iterator[RecordedMessage]:
    box = f"{round_:04x}".encode()
    victim = rng.randrange(len(templates) // 2, len(templates)) if bad else len(templates)
    for index, (at_us, topic, body, encoding, boots) in enumerate(templates):
        for key in boots:
            body[key] = (body[key] + 1) % 65536
        if not victim <= index < victim + LEFT_OUT:
            at = round_ * length + at_us + rng.randrange(2000)
            payload = _encode(body, encoding).replace(b"C-10", box)
            yield RecordedMessage(at, topic, payload, 1, retain=False, dup=False)


def _encode(body: dict[Any, Any], encoding: Encoding) -> bytes:
    return (
        cbor2.dumps(body) if encoding is Encoding.CBOR else json.dumps(body, separators=(",", ":")).encode()
    )


def _templates() -> list[Template]:
    reader = BulkReader()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "run.ywrec"
        run(path, 1)
        with path.open("rb") as file:
            items = [item for item in RecordingReader(file) if isinstance(item, RecordedMessage)]
    return [_template(item, reader) for item in items]


def _template(item: RecordedMessage, reader: BulkReader) -> Template:
    topic, reading = reader.topic(item.topic), reader.read(item.topic, item.payload)
    assert topic is not None
    assert reading.body is not None
    assert reading.encoding is not None
    boots: list[Any] = [name for name in BOOTS if name in reading.body]
    body: dict[Any, Any] = dict(reading.body)
    if reading.encoding is Encoding.CBOR:
        keys = shape_for(topic.message, body.get("act")).keys
        boots = [keys[name] for name in boots]
        body = dict(sorted(to_numbers(topic.message, body).items()))
    return item.at_us, item.topic, body, reading.encoding, boots
