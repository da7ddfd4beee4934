"""Files of at most a megabyte that cost what they can: memory, time, depth, digits, escape sequences.

Each is named after what it has too much of. Those that a command has to refuse name the word that it must say.
"""

from __future__ import annotations

import io
import json
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import cbor2
import zstandard

from conformance.reports.document import FORMAT
from protocol.codec import encode
from protocol.recording import Header, RecordedEvent, RecordedMessage, RecordingWriter
from protocol.site import Encoding
from protocol.site_file import scenario_text

LARGEST = 1_000_000
STARTED = "2026-05-02T10:00:00+00:00"
ROOT = "yw1/harlow-basin"
ESCAPES = "\x1b[2J\x1b]0;owned\x07\x9b31m\x7f\r\n\u202e\u2066\u200f\x00|<b>&"
"""C0, C1, DEL, overrides of direction, and what HTML takes for its own."""


@dataclass(frozen=True, slots=True)
class HostileFile:
    """A file to be read, and whether it can be read to its end or has to be refused."""

    name: str
    made: bytes | Callable[[], bytes]
    """What stands in it, or how that is made, where it takes a while."""
    refused: bool = True

    @property
    def content(self) -> bytes:
        """The bytes of the file."""
        return self.made if isinstance(self.made, bytes) else self.made()


def header(**other: object) -> bytes:
    """A header, with other values for some of its keys."""
    known = {"site": "harlow-basin", "started": STARTED, "source": "here", "kit": "0"}
    return cbor2.dumps({"yardwire": "recording", "version": 1, **known, **other})


def packed(content: bytes, *, window: int = 21) -> bytes:
    """`content` in one frame of zstd."""
    parameters = zstandard.ZstdCompressionParameters.from_level(19, window_log=window, enable_ldm=window > 23)
    return zstandard.ZstdCompressor(compression_params=parameters).compress(content)


def recorded(messages: list[tuple[str, bytes]], step_us: int = 1000) -> bytes:
    """A whole recording of these messages."""
    file = io.BytesIO()
    writer = RecordingWriter(file, Header("harlow-basin", STARTED, "here", "0"))
    for number, (topic, payload) in enumerate(messages):
        writer.message(RecordedMessage(number * step_us, topic, payload, 1, False, False))
    writer.end(len(messages) * step_us)
    return file.getvalue()


def item(
    at_us: object, topic: object = f"{ROOT}/north/job-order", payload: object = b"\xa2\x02\x00\x10\x01"
) -> bytes:
    """One message as it stands in a recording, whatever its values are."""
    return cbor2.dumps([0, at_us, topic, payload, 1, False, False])


def recordings() -> Iterator[HostileFile]:
    """Recordings that are damaged on purpose, and sound ones that are hard to bear."""
    end = cbor2.dumps([2, 5, 1])
    for name, at_us in (("10^400", 10**400), ("2^63", 2**63), ("2^64-1", 2**64 - 1), ("negative", -(2**63))):
        yield HostileFile(f"time-{name}.ywrec", header() + item(at_us) + end)
        yield HostileFile(f"time-of-event-{name}.ywrec", header() + cbor2.dumps([1, at_us, "note", ""]) + end)
    tagged = b"\xc2\x5a" + struct.pack(">I", 400_000) + b"\xff" * 400_000
    yield HostileFile(
        "integer-of-a-million-digits.ywrec", header() + b"\x87\x00" + tagged + item(5)[2:] + end
    )
    for name, part in (
        ("shared", b"\xd8\x1c\x81\xd8\x1d\x00"),
        ("deep", b"\x81" * 100_000 + b"\x00"),
        ("tags", b"\xc1" * 100_000 + b"\x00"),
        ("wide", b"\x9a\x00\x0e\x00\x00" + b"\x80" * 0xE0000),
        ("wide-maps", b"\x9a\x00\x0e\x00\x00" + b"\xa0" * 0xE0000),
        ("long-text", b"\x7a\x7f\xff\xff\xff" + b"a" * 100_000),
        ("endless", b"\x9f" + b"\x00" * 100_000),
        ("announced", b"\x9b\x7f\xff\xff\xff\xff\xff\xff\xff"),
        ("float", b"\xfb\x7f\xf8\x00\x00\x00\x00\x00\x00"),
    ):
        # What is announced and not there yet is a recording that breaks off, which is told and can be shown.
        told = name != "long-text"
        yield HostileFile(f"item-{name}.ywrec", header() + part + item(5) + end, refused=told)
        yield HostileFile(
            f"item-in-a-message-{name}.ywrec", header() + b"\x87\x00" + part + item(5)[2:] + end, refused=told
        )
    for name, value in (
        ("started", "no time"),
        ("started", "0001-01-01"),
        ("site", "s" * 900_000),
        ("version", 2),
    ):
        yield HostileFile(f"header-{name}-{str(value)[:7]}.ywrec", header(**{name: value}) + item(5) + end)
    yield HostileFile("header-cut.ywrec", header()[:40])
    zeros = b"\x87\x00\x05\x61a\x5a\x7f\xff\xff\xff"
    yield HostileFile("packed-one-item.ywrec", lambda: packed(header() + zeros + bytes(300_000_000)))
    yield HostileFile(
        "packed-many-items.ywrec", lambda: packed((header() + item(5) * 2_000_000)[:90_000_000])
    )
    yield HostileFile("packed-window.ywrec", lambda: packed(header() + bytes(40_000_000), window=27))
    yield HostileFile("packed-cut.ywrec", packed(header() + item(5) * 1000 + end)[:-9])
    yield HostileFile("packed-frames.ywrec", packed(header()) + packed(b"") * 20_000, refused=False)
    yield from hard_recordings()


def hard_recordings() -> Iterator[HostileFile]:
    """Recordings with no fault in their format, each as long as it may be."""
    ask = b"\xa2\x02\x00\x10\x01"
    bodies: dict[str, Callable[[int], tuple[str, bytes]]] = {
        "empty": lambda _: ("", b""),
        "topics": lambda n: (f"{ROOT}/n{n}/job-order", ask),
        "no-topics": lambda n: (f"x/{n}", b""),
        "nodes": lambda n: (f"{ROOT}/n{n}/train-arrival", arrival(n, n)),
        "places": lambda n: (f"{ROOT}/yard/yard-map/p{n}", b"{"),
        "not-valid": lambda n: (f"{ROOT}/north/fault", b"\xa4\x00%c\x01\x02\x02\x03\x04\x05" % (n % 24)),
        "not-valid-json": lambda n: (f"{ROOT}/north/fault", b'{"boot":%d,"x":[[[[' % n),
        "wrong-words": lambda n: (f"{ROOT}/north/job-order", b'{"act":"ti%d","c":1}' % n),
        "wide-json": lambda n: (f"{ROOT}/north/fault", b'{"active":[%s%d]}' % (b"1," * 480, n)),
        "names-twice": lambda n: (f"{ROOT}/north/fault", b"{%s}" % b",".join([b'"a%d":1' % n] * 100)),
        "boots": lambda n: (f"{ROOT}/berth/train-arrival", arrival(n % 65536, 0)),
        "states": lambda n: (f"{ROOT}/berth/train-arrival", arrival(7, n)),
        "jobs": lambda n: (f"{ROOT}/north/job-order", order(n)),
        "deep": lambda _: (f"{ROOT}/north/fault", b'{"active":' + b"[" * 900),
        "texts": lambda n: (f"{ROOT}/north/job-order", b'{"act":"%s%d"}' % (b"\xf0\x9f\x9a\x82" * 200, n)),
        "jump": lambda n: (f"{ROOT}/berth/train-arrival", arrival(7, n * 77)),
    }  # fmt: skip
    for name, body in bodies.items():
        yield HostileFile(f"many-{name}.ywrec", partial(_as_many, body), refused=False)
    yield HostileFile(
        "times-far.ywrec",
        recorded([(f"{ROOT}/berth/train-arrival", arrival(7, n)) for n in range(3)], 10**15),
        refused=False,
    )
    yield HostileFile(
        "payload-long.ywrec", recorded([(f"{ROOT}/north/fault", b"{" + b"[" * 900_000)]), refused=False
    )
    yield HostileFile("topic-long.ywrec", recorded([("a" * 65_000, b"{}")] * 10), refused=False)
    yield HostileFile("escapes.ywrec", escapes, refused=False)


def _as_many(body: Callable[[int], tuple[str, bytes]]) -> bytes:
    """As many messages as a megabyte takes."""
    pairs: list[tuple[str, bytes]] = []
    room = LARGEST - 200
    while room > 0:
        topic, payload = body(len(pairs))
        room -= len(topic) + len(payload) + 20
        pairs.append((topic, payload))
    return recorded(pairs)[:LARGEST]


def arrival(boot: int, number: int) -> bytes:
    """A berth says something new each time."""
    body = {
        "boot": boot % 65536, "seq": number % 65536, "uptime": number * 100, "mark": number, "held": bool(number % 2),
        "holds": 0, "state": "empty", "arrival": number % 100, "ignored": 0,
    }  # fmt: skip
    return encode("train-arrival", body, Encoding.CBOR)


def order(number: int) -> bytes:
    """An order that was never given before."""
    return encode(
        "job-order",
        {"boot": 7, "id": number, "deadline": 9, "act": "jog", "target": [number % 900] * 3},
        Encoding.CBOR,
    )


def escapes() -> bytes:
    """A recording with escape sequences wherever a stranger can write."""
    file = io.BytesIO()
    told = Header(ESCAPES[:9], STARTED, ESCAPES, ESCAPES)
    writer = RecordingWriter(file, told)
    topics = [
        f"{ROOT}/{ESCAPES}/fault",
        ESCAPES,
        f"{ROOT}/north/{ESCAPES}",
        *(f"{ROOT}/north/{m}" for m in _MESSAGES),
    ]
    writer.event(RecordedEvent(0, ESCAPES, ESCAPES))
    writer.event(RecordedEvent(0, "note", ESCAPES))
    bodies = [
        {"act": ESCAPES}, {"act": "home", "id": 3, "boot": 3, ESCAPES: ESCAPES}, {ESCAPES: [ESCAPES]},
        {"boot": 1, "seq": 1, "uptime": 1, "mark": 1, "id": 3, "state": ESCAPES, "reason": ESCAPES, "box": ESCAPES},
        {"boot": ESCAPES, "active": [ESCAPES], "slots": [ESCAPES], "roles": [ESCAPES], "why": ESCAPES},
    ]  # fmt: skip
    at_us = 0
    for topic in topics:
        for body in bodies:
            for payload in (
                json.dumps(body).encode(),
                json.dumps(body, ensure_ascii=False).encode(),
                cbor2.dumps(body),
            ):
                at_us += 1000
                writer.message(RecordedMessage(at_us, topic, payload, 1, False, False))
        writer.message(RecordedMessage(at_us, topic, ESCAPES.encode(), 1, False, False))
    writer.end(at_us)
    return file.getvalue()


_MESSAGES = (
    "job-order", "job-report", "crane-status", "train-arrival", "shuttle-status", "fault", "node-status",
    "yard-map/deck",
)  # fmt: skip


def tables() -> Iterator[HostileFile]:
    """Site files and scenario files (TOML)."""
    site = scenario_text().encode()
    yield HostileFile("array-deep.toml", b"site = " + b"[" * 50_000 + b"]" * 50_000)
    yield HostileFile("table-deep.toml", b"site = " + b"{a=" * 50_000 + b"1" + b"}" * 50_000)
    yield HostileFile("keys-deep.toml", b".".join([b"a"] * 400_000) + b" = 1")
    yield HostileFile("keys-deep-less.toml", b".".join([b"a"] * 900) + b" = 1")
    yield HostileFile("header-deep.toml", b"[" + b".".join([b"a"] * 400_000) + b"]")
    yield HostileFile("digits.toml", b"site = " + b"9" * 4301)
    yield HostileFile("digits-more.toml", b"site = " + b"9" * 900_000)
    yield HostileFile("digits-hex.toml", b"site = 0x" + b"f" * 900_000)
    yield HostileFile("digits-in-place.toml", site.replace(b"columns = 3", b"columns = " + b"9" * 4000, 1))
    yield HostileFile("float.toml", b"site = 1e999999\nx = nan\ny = inf")
    yield HostileFile("number-of-keys.toml", b"".join(b"k%d = 1\n" % n for n in range(80_000)))
    yield HostileFile(
        "number-of-tables.toml", b"".join(b"[nodes.n%d]\nroles = []\n" % n for n in range(30_000))
    )
    yield HostileFile("number-of-arrays.toml", b"[[a]]\n" * 150_000)
    yield HostileFile(
        "nodes-many.toml", site + b"".join(b'[nodes.n%d]\nroles = ["berth"]\n' % n for n in range(5_000))
    )
    yield HostileFile(
        "places-many.toml",
        site + b"".join(b'[places.p%d]\nkind = "stack"\ncolumns = 9\n' % n for n in range(5_000)),
    )
    yield HostileFile("array-long.toml", b"site = [" + b"1," * 480_000 + b"]")
    yield HostileFile("text-long.toml", b'site = "' + b"a" * 900_000 + b'"')
    yield HostileFile(
        "escapes.toml",
        f"{json.dumps(ESCAPES)} = {json.dumps(ESCAPES)}\n".encode()
        + site.replace(b'"berth"', json.dumps(ESCAPES).encode()),
    )
    yield HostileFile("no-utf-8.toml", b"site = '\xff'")
    yield HostileFile("zeros.toml", bytes(LARGEST))
    yield HostileFile("dates.toml", b"site = 9999-12-31T23:59:59.999999999999999999-99:99")


def texts() -> Iterator[HostileFile]:
    """JSON and JSON Lines, as payloads, vectors or earlier reports."""
    row = {"topic": f"{ROOT}/north/fault", "hex": "a0"}
    yield HostileFile("deep.json", b"[" * 500_000)
    yield HostileFile("deep-pairs.json", b"[" * 400_000 + b"]" * 400_000)
    yield HostileFile("deep-objects.json", b'{"a":' * 150_000)
    yield HostileFile("digits.json", b'{"act":' + b"9" * 900_000 + b"}")
    yield HostileFile("digits-in-list.json", b'[{"valid":' + b"9" * 4301 + b"}]")
    yield HostileFile(
        "vectors-deep.json", b'[{"valid":true,"hex":"a0","body":' + b"[" * 300_000 + b"]" * 300_000 + b"}]"
    )
    yield HostileFile("zeros.json", bytes(LARGEST))
    yield HostileFile("wide.json", b"[" + b"{}," * 300_000 + b"{}]")
    yield HostileFile("report.json", json.dumps(dict.fromkeys(REPORT, 1)).encode())
    yield HostileFile(
        "report-cases.json",
        json.dumps(dict.fromkeys(REPORT, "x") | {"format": FORMAT, "cases": [1, {"id": []}]}).encode(),
    )
    yield HostileFile("report-none.json", b"null")
    yield HostileFile("report-infinite.json", b'{"format":Infinity}')
    yield HostileFile("no-utf-8.json", b'{"a":"\xff"}')
    yield HostileFile(
        "escapes.jsonl",
        "\n".join(json.dumps(row | {"topic": ESCAPES, "text": ESCAPES}) for _ in range(9)).encode(),
    )
    yield HostileFile("line-long.jsonl", json.dumps(row | {"x": "a" * 900_000}).encode())
    yield HostileFile("line-long-hex.jsonl", json.dumps(row | {"hex": "00" * 450_000}).encode())
    yield HostileFile("lines-many.jsonl", (json.dumps(row).encode() + b"\n") * 18_000)
    yield HostileFile("lines-deep.jsonl", json.dumps(row).encode() + b"\n" + b"[" * 500_000)
    yield HostileFile("lines-digits.jsonl", json.dumps(row).encode() + b'\n{"qos":' + b"9" * 900_000 + b"}")
    yield HostileFile("lines-qos.jsonl", json.dumps(row | {"qos": 10**4000}).encode())
    yield HostileFile(
        "lines-surrogate.jsonl", json.dumps(row | {"topic": "\ud800", "text": "\ud800"}).encode()
    )
    yield HostileFile("hex-long.hex", b"00 " * 300_000)
    yield HostileFile("job-order-long.cbor", b"\xa2\x02\x00" + b"\x81" * 900_000)


def surveys() -> Iterator[HostileFile]:
    """Measured pairs (CSV)."""
    top = b"time,reading,position,approach,train\n"
    row = b"1.0,259,329.6,up,shunter\n"
    yield HostileFile("pairs-many.csv", top + row * 39_000)
    yield HostileFile("pairs-digits.csv", top + b"1," + b"9" * 900_000 + b",1,up,a\n")
    yield HostileFile("pairs-time.csv", top + b"0001-01-01T00:00:00+23:59,259,329.6,up,a\n")
    yield HostileFile("pairs-times.csv", top + b"9999-12-31T23:59:59.999999-23:59,259,329.6,up,a\n" * 3)
    yield HostileFile("pairs-columns.csv", b"," * 900_000)
    yield HostileFile("pairs-names.csv", b"reading,position," * 40_000 + b"\n" + b"1,2," * 40_000)
    yield HostileFile("pairs-quotes.csv", top + b'"' * 900_000)
    yield HostileFile("pairs-quoted.csv", top + b'1,259,329.6,up,"' + b"a" * 900_000 + b'"\n')
    yield HostileFile("pairs-nan.csv", top + b"1,259,nan,up,a\n")
    yield HostileFile("pairs-escapes.csv", top + f"1,259,329.6,{ESCAPES},{ESCAPES}\n".encode())
    yield HostileFile("pairs-one.csv", top + row)
    yield HostileFile("pairs-same.csv", top + row * 399, refused=False)
    for name, most in (("wild", 999_999_999), ("scattered", 32_767)):
        rows = (
            b"%d,%d,%d,up,t%d\n" % (n, n * 7919 % 65536 - 32768, n * 104729 % most, n) for n in range(399)
        )
        yield HostileFile(f"pairs-{name}.csv", top + b"".join(rows), refused=name == "wild")
    yield HostileFile("zeros.csv", bytes(LARGEST))
    yield HostileFile("no-utf-8.csv", top + b"\xff")


REPORT = (
    "kit",
    "protocol",
    "site",
    "node",
    "digest",
    "firmware",
    "bench",
    "slow",
    "cases",
    "people",
    "format",
)


def all_files() -> list[HostileFile]:
    """Every one of them."""
    return [*recordings(), *tables(), *texts(), *surveys()]
