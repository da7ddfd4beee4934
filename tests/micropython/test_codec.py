"""What the node in MicroPython reads and writes: the vectors, byte for byte, and no nonsense.

Outside: cbor2 and Python's json write the same bytes; CPython's decoder of UTF-8; the `crc` library.
"""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

import cbor2
import pytest
from crc import Calculator, Configuration

from protocol.specification import STATE_OF_ROLE, specification
from protocol.validation import read_message
from tests.json_texts import NONSENSE, SENSE, mutated
from tests.micropython.asked import asked
from tests.micropython.interpreter import needs_micropython
from tests.serial.rfc1662 import frames_in

pytestmark = needs_micropython
VECTORS = Path(__file__).parents[2] / "protocol" / "v1" / "vectors"
BUFFER = 512
SAID = (
    "node-status",
    "fault",
    "job-report",
    *(STATE_OF_ROLE[role] for role in ("crane", "berth", "shuttle")),
)


def vectors(name: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((VECTORS / f"{name}.json").read_text(encoding="utf-8"))
    return found


def read(payloads: list[bytes], folder: Path, reads: str = "both") -> list[Any]:
    answers = asked("codec.py", [f"read {payload.hex()}. {reads}" for payload in payloads], folder)
    return [None if answer == "-" else json.loads(answer) for answer in answers]


def test_every_order_of_the_vectors_is_read(tmp_path: Path) -> None:
    found = vectors("job-order")
    assert len(found) > 50
    assert read([bytes.fromhex(one["hex"]) for one in found], tmp_path) == [one["body"] for one in found]


def test_what_cannot_be_an_order_is_none(tmp_path: Path) -> None:
    """Of the vectors that are wrong: each that the kit's own reader finds unreadable, and that fits a buffer."""
    payloads = [bytes.fromhex(one["hex"]) for one in vectors("invalid") if one["message"] == "job-order"]
    payloads = [one for one in payloads if len(one) <= BUFFER]
    unreadable = [one for one in payloads if not read_message("job-order", one, closed=False).readable]
    assert len(unreadable) > 20
    assert read(unreadable, tmp_path) == [None] * len(unreadable)


@pytest.mark.parametrize(("texts", "is_read"), [(NONSENSE, False), (SENSE, True)], ids=["nonsense", "sense"])
def test_json_is_read_strictly(texts: tuple[str, ...], is_read: bool, tmp_path: Path) -> None:
    """The kit's reader is of the same mind."""
    for text in texts:
        assert read_message("job-order", text.encode(), closed=False).readable == is_read, text
    wanted = {"act": "ask", "token": 1} if is_read else None
    assert dict(zip(texts, read([text.encode() for text in texts], tmp_path), strict=True)) == dict.fromkeys(
        texts, wanted
    )


def test_an_encoding_that_the_site_file_does_not_say_is_not_read(tmp_path: Path) -> None:
    json_ask, cbor_ask = b'{"act":"ask","token":1}', cbor2.dumps({2: 0, 16: 1})
    assert [one is not None for one in read([json_ask, cbor_ask], tmp_path, "json")] == [True, False]
    assert [one is not None for one in read([json_ask, cbor_ask], tmp_path, "cbor")] == [False, True]


def test_of_damaged_orders_it_takes_none_that_the_kit_cannot_read(tmp_path: Path) -> None:
    """And those that both read, they read alike."""
    rng = Random(5)
    whole = [bytes.fromhex(one["hex"]) for one in vectors("job-order")]
    payloads = [mutated(rng.choice(whole), rng) for _ in range(1500)]
    wrong = []
    both = 0
    for payload, order in zip(payloads, read(payloads, tmp_path), strict=True):
        reading = read_message("job-order", payload, closed=False)
        known = reading.body if reading.readable else None
        both += order is not None
        if order is not None and (
            known is None or any(known.get(name) != value for name, value in order.items())
        ):
            wrong.append((payload, order, known))
    assert wrong == []
    assert both > 50


@pytest.mark.parametrize("message", SAID)
def test_what_it_writes_is_the_vectors_byte_for_byte(message: str, tmp_path: Path) -> None:
    found = vectors(message)
    assert len(found) >= 4
    questions = []
    for one in found:
        encoding = "json" if one["hex"].startswith("7b") else "cbor"
        questions.append(f"say {message} {encoding} {json.dumps(one['body'])}")
    for one, answer in zip(found, asked("codec.py", questions, tmp_path), strict=True):
        if one["hex"].startswith("7b"):
            assert json.loads(bytes.fromhex(answer)) == one["body"], one["name"]
            assert (
                bytes.fromhex(answer)
                == json.dumps(json.loads(bytes.fromhex(answer)), separators=(",", ":")).encode()
            )
        else:
            assert answer == one["hex"], one["name"]
            assert cbor2.dumps(cbor2.loads(bytes.fromhex(answer)), canonical=True).hex() == answer


def test_utf8_is_what_rfc_3629_says(tmp_path: Path) -> None:
    """CPython's decoder is the judge; the text stands in a field that nobody knows, so it has to be passed over."""
    rng = Random(9)
    texts = [rng.randbytes(rng.randrange(1, 6)) for _ in range(500)]
    texts += [
        b"\xc0\xaf",
        b"\xed\xa0\x80",
        b"\xf4\x90\x80\x80",
        b"\xf0\x8f\xbf\xbf",
        b"\xe0\x9f\xbf",
        "ß€😀".encode(),
    ]
    payloads = [b"\xa3\x02\x00\x10\x01\x18\x63" + bytes([0x60 + len(text)]) + text for text in texts]
    wanted = []
    for text in texts:
        try:
            text.decode()
            wanted.append(True)
        except UnicodeDecodeError:
            wanted.append(False)
    assert [one is not None for one in read(payloads, tmp_path)] == wanted
    assert 10 < sum(wanted) < 400


def test_the_fcs_is_that_of_rfc_1662(tmp_path: Path) -> None:
    """By the `crc` library: CRC-16/X-25."""
    calculator = Calculator(Configuration(16, 0x1021, 0xFFFF, 0xFFFF, True, True))
    rng = Random(3)
    contents = [b"123456789", *(rng.randbytes(rng.randrange(1, 128)) for _ in range(60))]
    answers = asked("codec.py", [f"fcs {content.hex()}" for content in contents], tmp_path)
    assert [int(answer) ^ 0xFFFF for answer in answers] == [
        calculator.checksum(content) for content in contents
    ]


def test_frames_are_read_by_a_decoder_written_from_the_rfc_alone(tmp_path: Path) -> None:
    rng = Random(4)
    kinds = [kind.number for kind in specification().line_kinds.values()]
    sent = [
        (rng.choice(kinds), bytes(rng.choices(b"\x7d\x7e\x5e\x00\xff", k=rng.randrange(60))))
        for _ in range(60)
    ]
    written = asked("codec.py", [f"frame {kind} {payload.hex()}." for kind, payload in sent], tmp_path)
    stream = b"".join(bytes.fromhex(one) for one in written)
    assert [(one[0], one[1:]) for one in frames_in(stream, 128)] == sent
    taken = asked("codec.py", [f"take {(b'boot loader' + stream).hex()}"], tmp_path)[0].split()
    assert taken == [f"{kind}:{payload.hex()}" for kind, payload in sent]
