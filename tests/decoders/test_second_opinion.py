"""Well-formed or not: our decoders beside yyjson (in DuckDB) and cbor-diag, which share no code with them.

Where the second implementation refuses, ours does too. Where ours alone refuses, it names a requirement of the
table: the protocol asks for less than the standards allow.
"""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import pytest
from cbor_diag import cbor2diag

from conformance.fuzz.generate.hostile import APPENDIX_F, HOSTILE_CBOR, HOSTILE_JSON
from protocol.codec.cbor_bytes import decode_cbor
from protocol.codec.json_text import decode_json
from protocol.finding import Flaw
from tests.decoders.test_broken_vectors import LARGE, flipped
from tests.protocol.vectors import vectors

STRICTER = {
    "ENC-02": "CBOR of more than one spelling: indefinite, longer than need be, out of order, a key twice",
    "ENC-03": "JSON of more than one spelling: blanks, escapes, a name twice, half of a surrogate pair",
    "ENC-04": "what is no integer, text, array, map or boolean",
    "ENC-12": "nesting deeper than the protocol has any use for",
    "ENC-01": "CBOR that is no map",
}
"""Requirements under which ours refuses what the standards allow, and what that is."""

OVERLOOKED = ("9f81ff", "9f829f819f9fffffffff")
"""Examples of appendix F that cbor-diag takes for well-formed: a break for the item of a definite array."""


def broken(payloads: list[bytes]) -> Iterator[bytes]:
    """Each whole, cut off at every length, and with one bit of every byte flipped."""
    for whole in payloads:
        yield whole
        for at in range(min(len(whole), LARGE)):
            yield whole[:at]
            yield flipped(whole, at, at % 8)


def json_is_well_formed(payloads: list[bytes]) -> list[bool]:
    """The verdict of yyjson. It takes text, so that what is not UTF-8 is refused by Python."""
    texts = [text_of(payload) for payload in payloads]
    with duckdb.connect() as base:
        rows = base.execute("SELECT json_valid(text) FROM (SELECT unnest(?::VARCHAR[]) AS text)", [texts])
        return [bool(valid) for (valid,) in rows.fetchall()]


def text_of(payload: bytes) -> str:
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        return "no UTF-8"


def cbor_is_well_formed(payload: bytes) -> bool:
    """The verdict of cbor-diag."""
    try:
        cbor2diag(payload)
    except ValueError:
        return False
    return True


def check(payload: bytes, well_formed: bool, flaws: list[Flaw]) -> None:
    named = {flaw.finding.requirement for flaw in flaws}
    if well_formed:
        assert named <= set(STRICTER), (payload.hex(), flaws)
        cut = [flaw for flaw in flaws if flaw.finding.requirement == "ENC-12"]
        assert all("nested deeper" in flaw.finding.what for flaw in cut), (payload.hex(), flaws)
    else:
        assert named, payload.hex()


def test_json_is_judged_as_yyjson_does() -> None:
    texts = [vector.payload for vector in vectors() if vector.payload[:1] == b"{"][::4]
    payloads = [*(one.payload for one in HOSTILE_JSON), *broken(texts)]
    for payload, well_formed in zip(payloads, json_is_well_formed(payloads), strict=True):
        check(payload, well_formed, decode_json(payload)[1])


def test_cbor_is_judged_as_cbor_diag_does() -> None:
    maps = [vector.payload for vector in vectors() if vector.payload[:1] != b"{"][::2]
    for payload in (*(one.payload for one in HOSTILE_CBOR), *broken(maps)):
        check(payload, cbor_is_well_formed(payload), decode_cbor(payload).flaws)


@pytest.mark.parametrize(("name", "item"), APPENDIX_F, ids=[name for name, _ in APPENDIX_F])
def test_examples_of_appendix_f_are_refused(name: str, item: str) -> None:
    """RFC 8949 appendix F, not well-formed: alone, and as the value of a map."""
    for payload in (bytes.fromhex(item), bytes.fromhex("a100" + item)):
        assert cbor_is_well_formed(payload) == (item in OVERLOOKED)
        assert not all(flaw.forgiven for flaw in decode_cbor(payload).flaws)
