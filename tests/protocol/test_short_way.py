"""The short way takes what is valid, and its lengths are those of another implementation of CBOR."""

from __future__ import annotations

import struct
from typing import Any

import cbor2
import pytest

from protocol.short_way import Doubt, quick_body, size_of
from protocol.specification import specification

MOST = 2000
VALID = [row for name in specification().messages for row in specification().vectors(name) if row["valid"]]


def payload_of(row: dict[str, Any]) -> bytes:
    return bytes.fromhex(row["hex"])


def test_valid_vectors_go_the_short_way() -> None:
    """Else reading is right and slow, and nobody sees it."""
    taken = [quick_body(row["message"], payload_of(row), MOST) is not None for row in VALID]
    assert len(taken) > 50
    assert sum(taken) > 0.9 * len(taken)


def test_nothing_and_what_is_too_long_go_the_other() -> None:
    row = next(row for row in VALID if quick_body(row["message"], payload_of(row), MOST) is not None)
    payload = payload_of(row)
    assert quick_body(row["message"], b"", MOST) is None
    assert quick_body(row["message"], payload, len(payload)) is not None
    assert quick_body(row["message"], payload, len(payload) - 1) is None


INTEGERS = [0, 1, 23, 24, 255, 256, 65535, 65536, 2**32 - 1, 2**32, 2**64 - 1]
VALUES = [
    *INTEGERS,
    *(-1 - value for value in INTEGERS),
    True,
    False,
    "",
    "a",
    "a" * 23,
    "a" * 24,
    "é" * 12,
    "a" * 256,
    [],
    [True, False, 1, -300, "x"],
    [[1, 2, True], [3, 4, False]],
    list(range(24)),
]


@pytest.mark.parametrize("value", VALUES, ids=lambda value: repr(value)[:24])
def test_a_length_is_that_of_cbor2(value: object) -> None:
    """cbor2 writes the shortest form (RFC 8949 section 4.2.1)."""
    assert size_of(value) == len(cbor2.dumps(value))


@pytest.mark.parametrize("value", [2**64, -(2**64) - 1, None, 1.0, b"a", {}])
def test_a_value_of_another_kind_is_in_doubt(value: object) -> None:
    with pytest.raises(Doubt):
        size_of(value)


@pytest.mark.parametrize("integer", [0, 1, 23, 24, 255, 256, 300, 65504])
@pytest.mark.parametrize("bits", ["e", "f", "d"])
def test_a_whole_float_never_passes_for_its_integer(integer: int, bits: str) -> None:
    """Half a float of 300 is as long as the integer, and equal to it."""
    row = next(row for row in VALID if row["message"] == "fault" and b"\xa0" < payload_of(row) < b"\xb8")
    written = cbor2.loads(payload_of(row))
    whole = cbor2.dumps(written | {0: integer})
    assert quick_body("fault", whole, MOST) is not None
    head = {"e": b"\xf9", "f": b"\xfa", "d": b"\xfb"}[bits]
    bent = whole.replace(b"\x00" + cbor2.dumps(integer), b"\x00" + head + struct.pack(f">{bits}", integer), 1)
    assert cbor2.loads(bent) == cbor2.loads(whole)
    assert quick_body("fault", bent, MOST) is None


def test_keys_in_another_order_go_the_long_way_though_they_went_the_short_one_before() -> None:
    row = next(row for row in VALID if row["message"] == "fault" and b"\xa0" < payload_of(row) < b"\xb8")
    written = cbor2.loads(payload_of(row))
    assert quick_body("fault", cbor2.dumps(written), MOST) is not None
    assert quick_body("fault", cbor2.dumps(dict(reversed(written.items()))), MOST) is None
    key = {True: written[1], **{key: value for key, value in written.items() if key != 1}}
    assert quick_body("fault", cbor2.dumps(dict(sorted(key.items()))), MOST) is None
