"""Both encodings against RFC 8949 and RFC 8259, second implementations, and payloads that mean harm."""

from __future__ import annotations

import json
import tracemalloc
from typing import Any

import cbor2
import pytest
from cbor_diag import cbor2diag, diag2cbor
from hypothesis import example, given
from hypothesis import strategies as st

from protocol.codec import NotEncodable, decode, encode
from protocol.codec.cbor_bytes import decode_cbor, encode_cbor
from protocol.codec.cbor_walk import walk
from protocol.codec.value import Unfit
from protocol.codec.words import to_numbers
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_message
from tests.protocol.diagnostic import notation
from tests.strategies import Body, messages_and_bodies

# RFC 8949 appendix A, every row of its table in its order: value, encoding. `None`: not of this model.
APPENDIX_A: list[tuple[Any, str]] = [
    (0, "00"),
    (1, "01"),
    (10, "0a"),
    (23, "17"),
    (24, "1818"),
    (25, "1819"),
    (100, "1864"),
    (1000, "1903e8"),
    (1000000, "1a000f4240"),
    (1000000000000, "1b000000e8d4a51000"),
    (18446744073709551615, "1bffffffffffffffff"),
    (None, "c249010000000000000000"),
    (-18446744073709551616, "3bffffffffffffffff"),
    (None, "c349010000000000000000"),
    (-1, "20"),
    (-10, "29"),
    (-100, "3863"),
    (-1000, "3903e7"),
    (None, "f90000"),
    (None, "f98000"),
    (None, "f93c00"),
    (None, "fb3ff199999999999a"),
    (None, "f93e00"),
    (None, "f97bff"),
    (None, "fa47c35000"),
    (None, "fa7f7fffff"),
    (None, "fb7e37e43c8800759c"),
    (None, "f90001"),
    (None, "f90400"),
    (None, "f9c400"),
    (None, "fbc010666666666666"),
    (None, "f97c00"),
    (None, "f97e00"),
    (None, "f9fc00"),
    (None, "fa7f800000"),
    (None, "fa7fc00000"),
    (None, "faff800000"),
    (None, "fb7ff0000000000000"),
    (None, "fb7ff8000000000000"),
    (None, "fbfff0000000000000"),
    (False, "f4"),
    (True, "f5"),
    (None, "f6"),
    (None, "f7"),
    (None, "f0"),
    (None, "f8ff"),
    (None, "c074323031332d30332d32315432303a30343a30305a"),
    (None, "c11a514b67b0"),
    (None, "c1fb41d452d9ec200000"),
    (None, "d74401020304"),
    (None, "d818456449455446"),
    (None, "d82076687474703a2f2f7777772e6578616d706c652e636f6d"),
    (None, "40"),
    (None, "4401020304"),
    ("", "60"),
    ("a", "6161"),
    ("IETF", "6449455446"),
    ('"\\', "62225c"),
    ("\u00fc", "62c3bc"),
    ("\u6c34", "63e6b0b4"),
    ("\U00010151", "64f0908591"),
    ([], "80"),
    ([1, 2, 3], "83010203"),
    ([1, [2, 3], [4, 5]], "8301820203820405"),
    (list(range(1, 26)), "98190102030405060708090a0b0c0d0e0f101112131415161718181819"),
    ({}, "a0"),
    ({1: 2, 3: 4}, "a201020304"),
    ({"a": 1, "b": [2, 3]}, "a26161016162820203"),
    (["a", {"b": "c"}], "826161a161626163"),
    ({"a": "A", "b": "B", "c": "C", "d": "D", "e": "E"}, "a56161614161626142616361436164614461656145"),
    (None, "5f42010243030405ff"),
    (None, "7f657374726561646d696e67ff"),
    (None, "9fff"),
    (None, "9f018202039f0405ffff"),
    (None, "9f01820203820405ff"),
    (None, "83018202039f0405ff"),
    (None, "83019f0203ff820405"),
    (None, "9f0102030405060708090a0b0c0d0e0f101112131415161718181819ff"),
    (None, "bf61610161629f0203ffff"),
    (None, "826161bf61626163ff"),
    (None, "bf6346756ef563416d7421ff"),
]


@pytest.mark.parametrize(("value", "encoding"), APPENDIX_A, ids=[row[1][:24] for row in APPENDIX_A])
def test_rfc_8949_appendix_a(value: Any, encoding: str) -> None:
    payload = bytes.fromhex(encoding)
    for found in (walk(payload), decode_cbor(payload)):
        if value is None:
            assert any(not flaw.forgiven for flaw in found.flaws)
        else:
            assert found.flaws == []
            assert found.value == value
            assert type(found.value) is type(value)
    if value is not None:
        assert encode_cbor(value) == diag2cbor(notation(value)) == payload


# RFC 8949 appendix F.1: examples of data that is not well-formed.
NOT_WELL_FORMED = """
    18 19 1a 1b 1901 1a0102 1b01020304050607 38 58 78 98 9a01ff00 b8 d8 f8 f900 fa0000 fb000000
    41 61 5affffffff00 5bffffffffffffffff010203 7affffffff00 7b7fffffffffffffff010203
    81 818181818181818181 8200 a1 a20102 a100 a2000000
    5f4100 7f6100 9f 9f0102 bf bf01020102 819f 9f8000 9f9f9f9f9fffffffff 9f819f819f9fffffff
    1c 1d 1e 3c 3d 3e 5c 5d 5e 7c 7d 7e 9c 9d 9e bc bd be dc dd de fc fd fe
    f800 f801 f818 f81f
    5f00ff 5f21ff 5f6100ff 5f80ff 5fa0ff 5fc000ff 5fe0ff 7f4100ff 5f5f4100ffff 7f7f6100ffff
    ff 81ff 8200ff a1ff a1ff00 a100ff a20000ff 9f81ff 9f829f819f9fffffffff bf00ff bf000000ff 1f 3f df
"""


@pytest.mark.parametrize("encoding", NOT_WELL_FORMED.split())
def test_rfc_8949_appendix_f(encoding: str) -> None:
    found = walk(bytes.fromhex(encoding))
    assert found.value is None
    assert not found.flaws[-1].forgiven
    with pytest.raises(cbor2.CBORDecodeError):
        cbor2.loads(bytes.fromhex(encoding))


def test_rfc_8949_section_4_2_1_order_of_keys() -> None:
    """The example of the section: bytewise order of the encoded keys, not shorter ones first."""
    keys = [10, 100, -1, "z", "aa"]
    payload = encode_cbor(dict.fromkeys(reversed(keys), 0))
    assert payload.hex() == "a5" + "0a00" + "186400" + "2000" + "617a00" + "62616100"
    assert list(walk(payload).value) == keys
    assert walk(payload).flaws == []
    shorter_first = cbor2.dumps(dict.fromkeys(keys, 0), canonical=True)  # As RFC 7049 section 3.9 had it.
    assert shorter_first != payload
    assert any(flaw.forgiven for flaw in walk(shorter_first).flaws)


@given(messages_and_bodies())
def test_what_is_written_is_read_and_valid(message_and_body: tuple[str, Body]) -> None:
    message, body = message_and_body
    for encoding in Encoding:
        payload = encode(message, body, encoding)
        reading = read_message(message, payload, closed=True)
        assert reading.findings == ()
        assert (reading.body, reading.encoding) == (body, encoding)


@given(messages_and_bodies())
def test_second_implementations_read_and_write_the_same(message_and_body: tuple[str, Body]) -> None:
    """cbor-diag (Rust) for CBOR; the walk and cbor2 are two more. JSON by the library without hooks."""
    message, body = message_and_body
    payload = encode(message, body, Encoding.CBOR)
    numbers = dict(sorted(to_numbers(message, body).items()))
    assert diag2cbor(notation(numbers)) == payload
    assert cbor2diag(payload, pretty=False) == notation(numbers)
    assert walk(payload).value == cbor2.loads(payload) == numbers
    assert json.loads(encode(message, body, Encoding.JSON)) == body


PLAIN = st.recursive(
    st.integers(-(2**64), 2**64 - 1) | st.booleans() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.integers(-30, 300), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.slow
@given(PLAIN)
def test_the_walk_agrees_with_two_libraries_on_whatever_is_encoded_deterministically(value: Any) -> None:
    payload = encode_cbor(value)
    found = walk(payload)
    if any(flaw.finding.requirement == "ENC-12" for flaw in found.flaws):
        return  # Nested deeper than the protocol goes.
    assert found.flaws == []
    assert found.value == cbor2.loads(payload) == value
    assert diag2cbor(cbor2diag(payload, pretty=False)) == payload


@given(st.binary(max_size=60), st.sampled_from(sorted(specification().messages)))
@example(b"{" + b"[" * 1000, "job-order")
@example(b'{"a":' * 200, "fault")
@example(b'{"a":' + b"9" * 1000 + b"}", "fault")
@example(b"\xa1" * 1024, "job-order")
@example(b"\xa1\x00" + b"\xc1" * 1000, "job-order")
@example(b"\xa1\x00\xd8\x23\x78\x80" + b"(" * 128, "job-order")
@example(b"\xbf\x61\x61" * 300, "job-order")
@example(b"{" + b" " * (1 << 20), "job-order")
@example(b"\xa1" + b"\x00" * (1 << 20), "job-order")
def test_no_payload_raises(payload: bytes, message: str) -> None:
    for start in (b"", b"{", b'{"', b"\xa2\x02", b"\xa1\x09"):
        for closed in (True, False):
            reading = read_message(message, start + payload, closed=closed)
            assert reading.readable or reading.findings
            for finding in reading.findings:
                str(finding).encode("utf-8")


@given(messages_and_bodies(), st.data())
def test_one_byte_changed_is_read_or_refused(message_and_body: tuple[str, Body], data: st.DataObject) -> None:
    """Whatever is read without findings is the same bytes when written: there is one way to write it."""
    message, body = message_and_body
    payload = bytearray(encode(message, body, Encoding.CBOR))
    payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    reading = read_message(message, bytes(payload), closed=True)
    if reading.valid and reading.encoding is Encoding.CBOR:
        assert reading.body is not None
        assert encode(message, reading.body, Encoding.CBOR) == bytes(payload)


@pytest.mark.parametrize(
    "payload",
    ["bbffffffffffffffff", "a1009bffffffffffffffff", "a1007bffffffffffffffff", "a1005bffffffffffffffff"],
)
def test_nothing_is_set_aside_for_what_is_not_there(payload: str) -> None:
    tracemalloc.start()
    try:
        reading = read_message("job-order", bytes.fromhex(payload), closed=True)
        assert tracemalloc.get_traced_memory()[1] < 1 << 20
    finally:
        tracemalloc.stop()
    assert not reading.readable


@pytest.mark.parametrize("encoding", Encoding)
@pytest.mark.parametrize("value", [1.0, None, b"x", float("nan"), {1, 2}, [[1.5]]], ids=repr)
def test_what_the_model_does_not_have_is_not_written(value: object, encoding: Encoding) -> None:
    with pytest.raises(NotEncodable, match="token"):
        encode("job-order", {"act": "ask", "token": value}, encoding)


@pytest.mark.parametrize("encoding", Encoding)
def test_twenty_thousand_levels_are_refused_before_a_library_recurses(encoding: Encoding) -> None:
    """cbor2 6.3 ends the process on such a list."""
    deep: list[Any] = []
    for _ in range(20_000):
        deep = [deep]
    with pytest.raises(NotEncodable, match="deeper than 4"):
        encode("job-order", {"act": "ask", "token": deep}, encoding)
    endless: list[Any] = []
    endless.append(endless)
    with pytest.raises(NotEncodable, match="deeper than 4"):
        encode("job-order", {"act": "ask", "token": endless}, encoding)


@pytest.mark.parametrize(
    ("body", "text"),
    [
        ({"act": "ask", "tokn": 1}, "'tokn'"),
        ({"act": "fly", "token": 1}, "'fly'"),
        ({"act": "stimulus", "inputs": [["nose", True, 1]]}, r"inputs\[0\]\[0\] is 'nose'"),
    ],
)
def test_cbor_has_no_number_for_an_unknown_name_or_word(body: dict[str, Any], text: str) -> None:
    with pytest.raises(NotEncodable, match=text):
        encode("job-order", body, Encoding.CBOR)


def test_a_tester_may_say_what_a_later_version_might() -> None:
    later: dict[Any, Any] = {"act": "ask", "token": 1, 23: [1, 2]}
    payload = encode("job-order", later, Encoding.CBOR)
    assert payload.hex() == "a3020010011782" + "0102"
    assert read_message("job-order", payload, closed=False).body == {"act": "ask", "token": 1}
    beyond = encode("job-order", {"act": 200}, Encoding.CBOR)
    assert beyond.hex() == "a10218c8"
    assert not read_message("job-order", beyond, closed=False).readable


def test_an_unknown_message_is_the_callers_mistake() -> None:
    with pytest.raises(KeyError):
        encode("job-odrer", {}, Encoding.JSON)
    with pytest.raises(KeyError):
        decode("job-odrer", b"\xa1\x00\x01")


def test_a_byte_is_named_for_what_stands_in_cbor() -> None:
    payload = encode(
        "job-order",
        {"act": "jog", "boot": 7, "id": 10, "deadline": 0, "target": [1, 2, 40000]},
        Encoding.CBOR,
    )
    (finding,) = read_message("job-order", payload, closed=True).findings
    assert (finding.requirement, finding.where) == ("ENC-05", "target[2]")
    assert finding.byte is not None
    assert cbor2.loads(payload[finding.byte :]) == 40000


def test_what_could_not_be_read_says_what_it_was() -> None:
    decoded = decode("job-order", bytes.fromhex("a2020010f97e00"))
    assert decoded.body == {"act": "ask", "token": Unfit("a 16-bit float")}
    assert not decoded.readable
