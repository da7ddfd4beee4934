"""Every flaw of a payload whole: requirement, words, field, byte, fix, whether it is forgiven; and what is left."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from protocol.codec import NotEncodable, decode, encode
from protocol.codec.cbor_bytes import decode_cbor, encode_cbor
from protocol.codec.cbor_walk import walk
from protocol.codec.json_text import decode_json
from protocol.codec.payload import Decoded
from protocol.codec.shape import ANY, Kind, merged, shape_for, shape_of
from protocol.codec.value import FATHOMED, Unfit, depth_of, is_integer, is_plain
from protocol.codec.words import name_of
from protocol.finding import Flaw
from protocol.site import Encoding
from protocol.specification import specification

Said = tuple[str, str, str, int | None, str]
CUT = "Check the buffer that the message is built in, and the length that is published"
DEEP = "Send what the schema names, no deeper"
KEY = "Use the integers of the schema as keys"
PLAIN = "Send the plain value without a tag"
NUMBER = "Send an integer in the unit of the field"
SECTION = "See RFC 8949 section 3"


def said(flaw: Flaw) -> Said:
    one = flaw.finding
    assert one.where == "" or flaw.path
    return one.requirement + "~" * flaw.forgiven, one.what, one.where, one.byte, one.fix


# ---------------------------------------------------------------- CBOR
TAGGED = "a value with the tag"
NO_KEY = "a key that is not an integer"
WALKS: list[tuple[str, Any, list[Said], Any]] = [
    ("1817", 23, [("ENC-02~", "23 is written in more bytes than it needs", "", 0, "Use the shortest form")], {(): 0}),
    ("a1011900ff", {1: 255},
     [("ENC-02~", "255 is written in more bytes than it needs", "key 1", 2, "Use the shortest form")],
     {(): 0, (1,): 2}),
    ("f814", None, [("ENC-01", "0xf8 0x14 starts no value in CBOR", "", 0, SECTION + ".3")], {(): 0}),
    ("e0", Unfit("the simple value 0"),
     [("ENC-04", "is the simple value 0, which the protocol has not", "", 0, NUMBER)], {(): 0}),
    ("f8ff", Unfit("the simple value 255"),
     [("ENC-04", "is the simple value 255, which the protocol has not", "", 0, NUMBER)], {(): 0}),
    ("f6", Unfit("null"), [("ENC-04", "is null, which the protocol has not", "", 0, "Leave the field out")], {(): 0}),
    ("f7", Unfit("undefined"),
     [("ENC-04", "is undefined, which the protocol has not", "", 0, "Leave the field out")], {(): 0}),
    ("a101fa3f800000", {1: Unfit("a 32-bit float")},
     [("ENC-04", "is a 32-bit float, which the protocol has not", "key 1", 2, NUMBER)], {(): 0, (1,): 2}),
    ("fb3ff0000000000000", Unfit("a 64-bit float"),
     [("ENC-04", "is a 64-bit float, which the protocol has not", "", 0, NUMBER)], {(): 0}),
    ("82f9000001", [Unfit("a 16-bit float"), 1],
     [("ENC-04", "is a 16-bit float, which the protocol has not", "key 0", 1, NUMBER)], {(): 0, (0,): 1, (1,): 4}),
    ("a10140", {1: Unfit("a byte string")},
     [("ENC-04", "is a byte string, which the protocol has not", "key 1", 2, "Send text or integers")],
     {(): 0, (1,): 2}),
    ("1c", None, [("ENC-01", "0x1c starts no value in CBOR", "", 0, SECTION)], {(): 0}),
    ("3f", None, [("ENC-01", "0x3f starts no value in CBOR", "", 0, SECTION)], {(): 0}),
    ("ff", None, [("ENC-01", "a break (0xff) where a value has to be", "", 0, "Announce the length instead")], {(): 0}),
    *((f"{head}", None, list[Said]([("ENC-02", f"an indefinite length (0x{head})", "", 0,
                          "Announce the length or the number of entries")]), {(): 0})
      for head in ("5f", "7f", "9f", "bf")),
    ("a10181c16161", {1: [Unfit(f"{TAGGED} 1")]},
     [("ENC-04", "carries the tag 1", "key 1[0]", 3, PLAIN)], {(): 0, (1,): 2, (1, 0): 3}),
    ("c1c2820102", Unfit(f"{TAGGED} 1"), [("ENC-04", "carries the tag 1", "", 0, PLAIN)], {(): 0, (0,): 3, (1,): 4}),
    ("d818d9d9f701", Unfit(f"{TAGGED} 24"), [("ENC-04", "carries the tag 24", "", 0, PLAIN)], {(): 0}),
    ("a101c1a10203", {1: Unfit(f"{TAGGED} 1")},
     [("ENC-04", "carries the tag 1", "key 1", 2, PLAIN)], {(): 0, (1,): 2, (1, 2): 5}),
    ("c2", None, [("ENC-04", "carries the tag 2", "", 0, PLAIN),
                  ("ENC-12", "the map is cut short: 1 bytes announced, 0 left", "", 1, CUT)], {(): 1}),
    ("c1818101", None, [("ENC-04", "carries the tag 1", "", 0, PLAIN),
                        ("ENC-12", "nested deeper than 4", "key 0", 2, DEEP)], {(): 1, (0,): 2}),
    ("a1018181818101", None, [("ENC-12", "nested deeper than 4", "key 1[0][0][0]", 5, DEEP)],
     {(): 0, (1,): 2, (1, 0): 3, (1, 0, 0): 4, (1, 0, 0, 0): 5}),
    ("a1c00105", {"key at byte 1": 5},
     [("ENC-04", "carries the tag 0", "key", 1, PLAIN), ("ENC-02", NO_KEY, "", 1, KEY)], None),
    ("a18001", {"key at byte 1": 1}, [("ENC-02", NO_KEY, "", 1, KEY)], {(): 0, ("key at byte 1",): 2}),
    ("a1f501", {"key at byte 1": 1}, [("ENC-02", NO_KEY, "", 1, KEY)], {(): 0, ("key at byte 1",): 2}),
    ("a20102f501", {1: 2, "key at byte 3": 1}, [("ENC-02", NO_KEY, "", 3, KEY)],
     {(): 0, (1,): 2, ("key at byte 3",): 4}),
    ("a161ff01", {"key at byte 1": 1},
     [("ENC-01", "text that is not UTF-8", "key", 2, "Send UTF-8, best only ASCII"), ("ENC-02", NO_KEY, "", 1, KEY)],
     {(): 0, ("key at byte 1",): 3}),
    ("a1016361c328", {1: Unfit("text that is not UTF-8")},
     [("ENC-01", "text that is not UTF-8", "key 1", 4, "Send UTF-8, best only ASCII")], {(): 0, (1,): 2}),
    ("a161610a", {"a": 10}, [], {(): 0, ("a",): 3}),
    ("a201020103", {1: 3}, [("ENC-02", "the key 1 comes twice", "key 1", 3, "Send every key once")], {(): 0, (1,): 4}),
    ("a3030001000200", {3: 0, 1: 0, 2: 0},
     [("ENC-02~", f"the key {key} comes after a higher one", f"key {key}", byte,
       "Send the keys in the bytewise order of their encoding") for key, byte in ((1, 3), (2, 5))],
     {(): 0, (3,): 2, (1,): 4, (2,): 6}),
    ("a1016141ff00", {1: "A"}, [("ENC-12", "2 bytes behind the end of the map", "", 4, "Send one map alone")],
     {(): 0, (1,): 2}),
    ("a10163", None, [("ENC-12", "the map is cut short: 3 bytes announced, 0 left", "key 1", 3, CUT)],
     {(): 0, (1,): 2}),
    ("a1018302", None, [("ENC-12", "the map is cut short: 3 entries announced, 1 bytes left", "key 1", 4, CUT)],
     {(): 0, (1,): 2}),
    ("a3010203", None, [("ENC-12", "the map is cut short: 3 entries announced, 3 bytes left", "", 4, CUT)], {(): 0}),
    ("a2010203", None, [("ENC-12", "the map is cut short: 2 entries announced, 3 bytes left", "", 4, CUT)], {(): 0}),
    ("a20102", None, [("ENC-12", "the map is cut short: 2 entries announced, 2 bytes left", "", 3, CUT)], {(): 0}),
    ("", None, [("ENC-12", "the map is cut short: 1 bytes announced, 0 left", "", 0, CUT)], {(): 0}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("payload", "value", "flaws", "places"), WALKS, ids=[row[0] or "nothing" for row in WALKS]
)
def test_a_walk_tells_every_flaw_whole(
    payload: str, value: Any, flaws: list[Said], places: Mapping[Any, int] | None
) -> None:
    """RFC 8949 sections 3 and 4.2.1."""
    found = walk(bytes.fromhex(payload))
    assert found.value == value
    assert [said(flaw) for flaw in found.flaws] == flaws
    assert places is None or found.bytes == places
    assert decode_cbor(bytes.fromhex(payload)).value == value
    assert [said(flaw) for flaw in decode_cbor(bytes.fromhex(payload)).flaws] == flaws


def test_places_are_looked_for_only_where_they_are_asked_for() -> None:
    assert decode_cbor(b"\xa1\x01\x02").bytes == {}
    assert decode_cbor(b"\xa1\x01\x02", locate=True).bytes == {(): 0, (1,): 2}


def test_keys_are_written_in_the_order_of_their_bytes_at_every_depth() -> None:
    """RFC 8949 section 4.2.1; -1 is 0x20, above all counts, and text above all integers."""
    assert encode_cbor({24: 0, 2: 0, 10: 0}).hex() == "a3" + "0200" + "0a00" + "181800"
    assert encode_cbor({-1: 0, 24: 0, "a": 0, 0: 0}).hex() == "a4" + "0000" + "181800" + "2000" + "616100"
    assert encode_cbor([{2: {9: 0, 1: 0}, 0: ()}]).hex() == "81a2" + "0080" + "02" + "a2" + "0100" + "0900"


# ---------------------------------------------------------------- JSON
JSON: list[tuple[bytes, Any, list[Said]]] = [
    (b'{"a":1,"a":2,"b":[{"c":1,"c":2}]}', {"a": 2, "b": [{"c": 2}]},
     [("ENC-03", "comes twice", "a", None, "Send every member once"),
      ("ENC-03", "comes twice", "b[0].c", None, "Send every member once")]),
    (b'{"a":1,"b":2,"a":3,"b":4,"c":5}', {"a": 3, "b": 4, "c": 5},
     [("ENC-03", "comes twice", name, None, "Send every member once") for name in "ab"]),
    (b'{"\\ud800":1}', {"'\\ud800'": 1},
     [("ENC-03~", "the needless escape \\ud800", "", 2, "Write the character itself"),
      ("ENC-03", "has a member name with half of a surrogate pair", "", None, "Send ASCII")]),
    (b'{"a":["\\ud800"]}', {"a": [Unfit("text with half of a surrogate pair")]},
     [("ENC-03~", "the needless escape \\ud800", "", 7, "Write the character itself"),
      ("ENC-03", "holds half of a surrogate pair, which is not text", "a[0]", None, "Send ASCII")]),
    (b'{"a":[null,1.5,-Infinity]}', {"a": [Unfit("null"), Unfit("the fraction or exponent 1.5"), Unfit("-Infinity")]},
     [("ENC-04", "is null, and the protocol has integers only", "a[0]", None, "Leave the field out"),
      ("ENC-04", "is the fraction or exponent 1.5, and the protocol has integers only", "a[1]", None, NUMBER),
      ("ENC-04", "is -Infinity, and the protocol has integers only", "a[2]", None, NUMBER)]),
    (b'{"a":1.' + b"5" * 40 + b"}", {"a": Unfit("the fraction or exponent 1." + "5" * 28)},
     [("ENC-04", f"is the fraction or exponent 1.{'5' * 28}, and the protocol has integers only", "a", None, NUMBER)]),
    (b'{"a":"\\u0041 \\/"}\n', {"a": "A /"},
     [("ENC-03~", "white space outside a string", "", 17, "Write the object without it"),
      ("ENC-03~", "the needless escape \\u0041", "", 6, "Write the character itself")]),
    (b'{"a":1', None, [("ENC-12", "the object is cut short", "", 6, CUT)]),
    (b'{"a":"x ', None, [("ENC-12", "the object is cut short", "", 8, CUT)]),
    (b'{"a":1}{', None, [("ENC-12", "1 bytes behind the end of the object", "", 7, "Send one object alone")]),
    (b'{"\xc3\xa4" 1}', None,
     [("ENC-01", "not JSON: expecting ':' delimiter", "", 6, "Send one JSON object (RFC 8259)")]),
    (b'{"a":\xff}', None, [("ENC-03", "the text is not UTF-8", "", 5, "Send UTF-8, best only ASCII")]),
    (b'{"a":[[[[1]]]]}', None, [("ENC-12", "nested deeper than 4", "", 8, DEEP)]),
    (b'{"\xc3\xa4":[[[[1]]]]}', None, [("ENC-12", "nested deeper than 4", "", 9, DEEP)]),
    (b'{"a":[[]],"b":[[]],"c":"[[[[[\\"[[[["}', {"a": [[]], "b": [[]], "c": '[[[[["[[[['}, []),
]  # fmt: skip


@pytest.mark.parametrize(
    ("payload", "value", "flaws"), JSON, ids=[row[0].decode(errors="replace")[:30] for row in JSON]
)
def test_a_text_tells_every_flaw_whole(payload: bytes, value: Any, flaws: list[Said]) -> None:
    """RFC 8259."""
    found, told = decode_json(payload)
    assert (found, [said(flaw) for flaw in told]) == (value, flaws)


def test_more_digits_than_python_reads_are_told() -> None:
    value, (flaw,) = decode_json(b'{"a":' + b"9" * 5000 + b"}")
    assert value is None
    assert said(flaw)[::2] == ("ENC-04", "", "Send integers of 32 bits at most")
    assert flaw.finding.what.startswith("the text cannot be read: Exceeds the limit")


# ---------------------------------------------------------------- either
ACTS = ", ".join(f"{number} {act}" for number, act in enumerate(specification().words("act")))
PAYLOADS: list[tuple[bytes, Any, Encoding | None, list[Said], Any]] = [
    (b"", None, None, [("ENC-01", "the payload is empty", "", 0, "Send one JSON object or one CBOR map")], {}),
    (b"\xef\xbb\xbf{}", None, Encoding.JSON,
     [("ENC-03", "a byte order mark in front", "", 0, "Send the object alone, from '{' on")], {}),
    *((bytes([first]), None, None, list[Said](
       [("ENC-01", f"the first byte is {first:#04x}, which starts neither a JSON object nor a CBOR map", "", 0,
         "Start with '{' in JSON, with 0xa0 to 0xb7 in CBOR")]), {})
      for first in (0x00, 0x9F, 0xC0, ord("["), ord("|"))),
    (b"{" + b" " * 1024, None, None,
     [("ENC-07", "1025 bytes, and no payload of the protocol has more than 1024", "", 0,
       "Send less; the schema says how little is needed")], {}),
    (b"\xa0", {}, Encoding.CBOR, [], {(): 0}),
    (b"\xbf", None, Encoding.CBOR, [("ENC-02", "an indefinite length (0xbf)", "", 0,
                                     "Announce the length or the number of entries")], {}),
    (b"{}", {}, Encoding.JSON, [], {}),
    (b"\xa2\x02\x00\x10\x01", {"act": "ask", "token": 1}, Encoding.CBOR, [], {(): 0, ("act",): 2, ("token",): 4}),
    (b"\xa2\x02\x00\x18c\x01", {"act": "ask", 99: 1}, Encoding.CBOR, [], {(): 0, ("act",): 2, (99,): 5}),
    (b"\xa2\x02\x18\xc8\x10\x01", {"act": Unfit("200"), 16: 1}, Encoding.CBOR,
     [("ENC-05", "is 200, which stands for no word", "act", None, f"Send one of: {ACTS}")],
     {(): 0, ("act",): 2, (16,): 5}),
    (b"\xa1\x02\x20", {"act": Unfit("-1")}, Encoding.CBOR,
     [("ENC-05", "is -1, which stands for no word", "act", None, f"Send one of: {ACTS}")], {(): 0, ("act",): 2}),
    (b"\xa1\x02\x0f", {"act": Unfit("15")}, Encoding.CBOR,
     [("ENC-05", "is 15, which stands for no word", "act", None, f"Send one of: {ACTS}")], {(): 0, ("act",): 2}),
    (b"\xa1\x02\x0e", {"act": "set-uptime"}, Encoding.CBOR, [], {(): 0, ("act",): 2}),
    (b"\xa1\x02\xf5", {"act": Unfit("True")}, Encoding.CBOR,
     [("ENC-05", "is true, not the integer of a word", "act", None, f"Send one of: {ACTS}")], {(): 0, ("act",): 2}),
    (b"\xa1\x02\xa0", {"act": Unfit("{}")}, Encoding.CBOR,
     [("ENC-05", "is a map of 0, not the integer of a word", "act", None, f"Send one of: {ACTS}")],
     {(): 0, ("act",): 2}),
    (b"\xa2\x02cask\x10\xf6", {"act": Unfit("ask"), 16: Unfit("null")}, Encoding.CBOR,
     [("ENC-04", "is null, which the protocol has not", "key 16", 7, "Leave the field out"),
      ("ENC-05", "is the text 'ask', but CBOR carries a word as its integer", "act", None, "Send 0 for 'ask'")], None),
    (b"\xa1\x02eclaym", {"act": Unfit("claym")}, Encoding.CBOR,
     [("ENC-05", "is the text 'claym', but CBOR carries a word as its integer", "act", None, "Send 1 for 'claim'")],
     None),
    (b"\xa1\x02czzz", {"act": Unfit("zzz")}, Encoding.CBOR,
     [("ENC-05", "is the text 'zzz', but CBOR carries a word as its integer", "act", None, f"Send one of: {ACTS}")],
     None),
    (b"\xa3\x02\x00etoken\x01chue\x02", {"act": "ask", '"token"': 1, "hue": 2}, Encoding.CBOR,
     [("ENC-02~", "the key 'hue' comes after a higher one", "hue", 10,
       "Send the keys in the bytewise order of their encoding")], None),
]  # fmt: skip


@pytest.mark.parametrize(
    ("payload", "body", "encoding", "flaws", "places"), PAYLOADS, ids=[repr(row[0][:9]) for row in PAYLOADS]
)
def test_a_payload_is_told_apart_by_its_first_byte(
    payload: bytes, body: Any, encoding: Encoding | None, flaws: list[Said], places: dict[Any, int] | None
) -> None:
    """ENC-01."""
    for locate in (False, True):
        found = decode("job-order", payload, locate=locate)
        assert (found.body, found.encoding) == (body, encoding)
        assert [said(flaw) for flaw in found.flaws] == flaws
        assert found.readable is (body is not None and all(flaw[0].endswith("~") for flaw in flaws))
        if locate and places is not None:
            assert found.bytes == places


def test_a_payload_of_the_most_bytes_is_looked_at() -> None:
    assert decode("fault", b'{"a":"' + b"x" * 1016 + b'"}').body == {"a": "x" * 1016}
    assert Decoded(None, None).bytes == {}


# ---------------------------------------------------------------- writing
def nested(levels: int) -> Any:
    value: Any = 1
    for _ in range(levels):
        value = [value]
    return value


@pytest.mark.parametrize("encoding", Encoding)
def test_the_deepest_that_is_written_is_the_deepest_that_is_read(encoding: Encoding) -> None:
    for extra in ((), ({1: 2},)):
        body: dict[Any, Any] = {"act": "ask", "token": [nested(2), *extra]}
        assert decode("job-order", encode("job-order", body, Encoding.CBOR)).readable
        with pytest.raises(NotEncodable, match=r"^nested deeper than 4$"):
            encode("job-order", {"act": "ask", "token": [nested(3), *extra]}, encoding)
    for foreign, where in (
        (None, "token"),
        ([1, (2, 3.5)], r"token\[1\]\[1\]"),
        ({"a": {"b": None}}, r"token\.a\.b"),
    ):
        with pytest.raises(
            NotEncodable, match=rf"^{where} is of type (NoneType|float), which the protocol has not$"
        ):
            encode("job-order", {"act": "ask", "token": foreign}, encoding)


def test_what_has_no_number_is_named() -> None:
    for body, told in (
        ({"act": "ask", "tokn": 1}, "job-order ask has no field 'tokn', and CBOR no key for it"),
        ({"tokn": 1}, "job-order has no field 'tokn', and CBOR no key for it"),
        ({"act": "stimulus", "inputs": [["end", True, 1], ["nose", True, 1]]},
         "inputs[1][0] is 'nose', which is none of its words and has no integer in CBOR"),
    ):  # fmt: skip
        with pytest.raises(NotEncodable) as refused:
            encode("job-order", body, Encoding.CBOR)
        assert str(refused.value) == told
    assert encode("job-order", {"act": 0, 16: (1, True)}, Encoding.CBOR).hex() == "a20200108201f5"


@pytest.mark.parametrize(
    ("value", "name"),
    [(Unfit("x"), "x"), (True, "true"), (False, "false"), ([1, 2], "an array of 2"), ((), "an array of 0"),
     ({1: 2}, "a map of 1"), ("a", "'a'"), (5, "5"), ("x" * 38, "'" + "x" * 38 + "'"),
     ("x" * 39, "'" + "x" * 29 + "... (41 characters)"), (10**39, str(10**39)),
     (10**40, "1" + "0" * 29 + "... (41 characters)")],
)  # fmt: skip
def test_a_value_in_a_sentence_is_short(value: Any, name: str) -> None:
    assert name_of(value) == name


# ---------------------------------------------------------------- values and shapes
def test_depth_is_counted_as_far_as_it_matters() -> None:
    for levels in (0, 1, 2, FATHOMED - 1, FATHOMED, FATHOMED + 5):
        assert depth_of(nested(levels)) == min(levels, FATHOMED)
    others: list[Any] = [{}, {1: {}}, (1, [2]), [1, {2: (3,)}], "text"]
    assert [depth_of(one) for one in others] == [1, 2, 2, 3, 0]


def test_what_is_plain_is_of_the_model() -> None:
    plain = [0, True, "a", [1, ["x"]], {1: "a", "b": [False]}, -(2**64), 2**64 - 1]
    assert [is_plain(one) for one in plain] == [True] * len(plain)
    others = [None, 1.0, b"a", (1,), [1.0], {1: None}, {True: 1}, {1.0: 1}, -(2**64) - 1, 2**64, {(1,): 2}]
    assert [is_plain(one) for one in others] == [False] * len(others)
    assert [is_integer(one) for one in (0, -1, True, False, 1.0, "1")] == [
        True,
        True,
        False,
        False,
        False,
        False,
    ]
    assert str(Unfit("null")) == "null"


def test_the_kind_of_a_place_is_that_of_the_schema() -> None:
    shape = shape_of("crane-status")
    assert shape.kind(("axes", 0, 2)).schema["type"] == "boolean"
    assert shape.kind(("axes", 5, 0)).schema["type"] == "integer"
    assert shape.kind(("boot",)).unit == shape.fields["boot"].unit
    for nowhere in ((), (0,), (0, "axes"), ("none",), ("axes", "x"), ("axes", 0, 9), ("axes", 0, 0, 0)):
        assert shape.kind(nowhere) == ANY == Kind("", "", (), {}, (), None, {})
    status = shape_of("node-status")
    assert status.kind(("roles", 1)).words == specification().words("role")
    assert status.names[status.keys["roles"]] == "roles"


def test_an_order_has_the_shape_of_its_act() -> None:
    assert (shape_of("job-order").name, shape_of("job-order", "ask").name) == ("job-order", "job-order ask")
    assert shape_for("job-order", "ask") == shape_of("job-order", "ask")
    for act in (None, "fly", 5, ["ask"]):
        assert shape_for("job-order", act) == shape_of("job-order")
    assert shape_for("fault", "ask") == shape_of("fault")
    assert shape_of("job-order", "ask").fields["act"].words == specification().words("act")
    with pytest.raises(KeyError):
        shape_of("job-order", "fly")
    with pytest.raises(KeyError):
        shape_for("job-odrer", "ask")


def test_a_reference_is_merged_and_what_stands_beside_it_wins() -> None:
    common = specification().common
    reference = f"{common['$id']}#/$defs/act"
    whole = merged({"$ref": reference, "description": "mine"})
    assert whole == {**merged(common["$defs"]["act"]), "description": "mine"}
    assert merged({"$ref": common["$id"]}) == dict(common)
    assert merged({"type": "integer"}) == {"type": "integer"}
