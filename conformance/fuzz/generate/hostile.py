"""Payloads that no encoder writes. Each has a name and the statement of the standard that it goes against."""

from __future__ import annotations

from dataclasses import dataclass

import cbor2


@dataclass(frozen=True, slots=True)
class Hostile:
    """One payload, what it is, and which statement it goes against."""

    name: str
    payload: bytes
    source: str


def _json(name: str, text: bytes | str, source: str) -> Hostile:
    return Hostile(f"JSON: {name}", text if isinstance(text, bytes) else text.encode(), f"RFC 8259 {source}")


ASK = '"act":"ask","token":7'

HOSTILE_JSON = (
    _json("an array for the object", '["act","ask"]', "section 4: an object is asked for"),
    _json("a bare string", '"ask"', "section 2, any value is JSON text"),
    _json("an open brace alone", "{", "section 4: an object ends with a brace"),
    _json("no closing brace", "{" + ASK, "section 4"),
    _json("a comma behind the last member", "{" + ASK + ",}", "section 4"),
    _json("two commas", '{"act":"ask",,"token":7}', "section 4"),
    _json("a member without value", '{"act":"ask","token"}', "section 4"),
    _json("a name without quotes", '{act:"ask","token":7}', "section 4: a name is a string"),
    _json("single quotes", "{'act':'ask','token':7}", "section 7: quotation marks"),
    _json("a member twice", '{"act":"ask","token":7,"token":8}', "section 4: names SHOULD be unique"),
    _json("a byte order mark", b"\xef\xbb\xbf{" + ASK.encode() + b"}", "section 8.1 MUST NOT add"),
    _json("UTF-16", ("{" + ASK + "}").encode("utf-16-le"), "section 8.1 MUST be UTF-8"),
    _json("bytes that are no UTF-8", b'{"act":"ask","token":7,"x":"\xff\xfe"}', "section 8.1"),
    _json("an overlong UTF-8 slash", b'{"act":"ask","token":7,"x":"\xc0\xaf"}', "section 8.1; RFC 3629 3"),
    _json("UTF-8 cut off in a character", b'{"act":"ask","token":7,"x":"\xe2\x82"}', "section 8.1"),
    _json("a lone surrogate", '{"act":"ask","token":7,"x":"\\ud800"}', "section 8.2"),
    _json(
        "a control character in a string", b'{"act":"ask","token":7,"x":"\n"}', "section 7 MUST be escaped"
    ),
    _json("a NUL in a string", b'{"act":"ask","token":7,"x":"\x00"}', "section 7 MUST be escaped"),
    _json("an escape that there is not", '{"act":"ask","token":7,"x":"\\q"}', "section 7"),
    _json("an escape cut off", '{"act":"ask","token":7,"x":"\\u00', "section 7"),
    _json("a string without end", '{"act":"ask","token":7,"x":"', "section 7"),
    _json("NaN", '{"act":"ask","token":NaN}', "section 6: not permitted"),
    _json("Infinity", '{"act":"ask","token":Infinity}', "section 6: not permitted"),
    _json("-Infinity", '{"act":"ask","token":-Infinity}', "section 6: not permitted"),
    _json("a leading zero", '{"act":"ask","token":07}', "section 6: leading zeros are not allowed"),
    _json("a plus sign", '{"act":"ask","token":+7}', "section 6"),
    _json("a number with a bare point", '{"act":"ask","token":7.}', "section 6"),
    _json("a fraction", '{"act":"ask","token":7.0}', "section 6, against ENC-04"),
    _json("an exponent", '{"act":"ask","token":7e0}', "section 6, against ENC-04"),
    _json("an exponent beyond a double", '{"act":"ask","token":1e999}', "section 6"),
    _json("hexadecimal", '{"act":"ask","token":0x7}', "section 6"),
    _json("an integer of 400 digits", '{"act":"ask","token":' + "9" * 400 + "}", "section 6"),
    _json("minus zero dot zero", '{"act":"ask","token":-0.0}', "section 6, against ENC-04"),
    _json("null", '{"act":"ask","token":null}', "section 3, against ENC-04"),
    _json("True as another language writes it", '{"act":"ask","token":True}', "section 3 MUST be lowercase"),
    _json("a comment", "{" + ASK + "}//", "section 2: nothing but white space"),
    _json("two objects", "{" + ASK + "}{" + ASK + "}", "section 2: one value"),
    _json("a NUL behind the end", b"{" + ASK.encode() + b"}\x00", "section 2"),
    _json("a form feed for white space", b"{\x0c" + ASK.encode() + b"}", "section 2: four characters only"),
    _json("arrays 100 deep", "{" + ASK + ',"x":' + "[" * 100 + "]" * 100 + "}", "section 9, against ENC-12"),
    _json("objects 100 deep", '{"a":' * 100 + "1" + "}" * 100, "section 9, against ENC-12"),
    _json("5000 open brackets", '{"x":' + "[" * 5000, "section 9, against ENC-12"),
)


def _cbor(name: str, hexadecimal: str, source: str) -> Hostile:
    return Hostile(f"CBOR: {name}", bytes.fromhex(hexadecimal), f"RFC 8949 {source}")


def _inside(name: str, item: str, source: str) -> Hostile:
    """The item as the token of an ask, so that a reader gets as far as it."""
    return _cbor(name, "a2020010" + item, source)


_NOT_WELL_FORMED = {
    "end of input in a head": (
        "18 19 1a 1b 1901 1a0102 1b01020304050607 38 58 78 98 9a01ff00 b8 d8 f8 f900 fa0000 fb000000"
    ),
    "a string with too few bytes": (
        "41 61 5affffffff00 5bffffffffffffffff010203 7affffffff00 7b7fffffffffffffff010203"
    ),
    "an array or map with too few items": "81 818181818181818181 8200 a1 a20102 a100 a2000000",
    "a tag with nothing to tag": "c0",
    "an indefinite string without break": "5f4100 7f6100",
    "an indefinite array or map without break": (
        "9f 9f0102 bf bf01020102 819f 9f8000 9f9f9f9f9fffffffff 9f819f819f9fffffff"
    ),
    "reserved additional information": (
        "1c 1d 1e 3c 3d 3e 5c 5d 5e 7c 7d 7e 9c 9d 9e bc bd be dc dd de fc fd fe"
    ),
    "a reserved simple value in two bytes": "f800 f801 f818 f81f",
    "a chunk of the wrong type in an indefinite string": (
        "5f00ff 5f21ff 5f6100ff 5f80ff 5fa0ff 5fc000ff 5fe0ff 7f4100ff"
    ),
    "an indefinite string inside an indefinite string": "5f5f4100ffff 7f7f6100ffff",
    "a break on its own": "ff",
    "a break in a definite array, map or tag": "81ff 8200ff a1ff a1ff00 a100ff a20000ff 9f81ff 9f829f819f9fffffffff",
    "a break for the value of an indefinite map": "bf00ff bf000000ff",
    "an indefinite length where there is none": "1f 3f df",
}
"""The examples of appendix F by its kinds."""

APPENDIX_F = tuple(
    (f"{kind} ({item})", item) for kind, items in _NOT_WELL_FORMED.items() for item in items.split()
)
"""Every example of appendix F that is not well-formed, with what it is."""

HOSTILE_CBOR = (
    *(_inside(f"{name}, as a token", item, "appendix F") for name, item in APPENDIX_F),
    *(_cbor(f"{name}, alone", item, "appendix F") for name, item in APPENDIX_F),
    _cbor("a text length of 24 with 3 bytes behind", "a2020078186162 63".replace(" ", ""), "section 3"),
    _cbor("a text length of 65539 with 3 bytes behind", "a202001a00010003616263", "section 3"),
    _inside("a text length of 65539, three there", "7a00010003616263", "section 3: the length counts bytes"),
    _cbor("a map of 2^32-1 pairs", "baffffffff020010 07".replace(" ", ""), "section 3"),
    _cbor("a map of 65538 pairs, two there", "ba000100020200 1007".replace(" ", ""), "section 3"),
    _cbor("an indefinite map, closed", "bf02001007ff", "section 3.2.2, against ENC-02"),
    _cbor("a key twice", "a302001007 1008".replace(" ", ""), "section 5.6, against ENC-02"),
    _cbor("keys in the wrong order", "a210070200", "section 4.2.1, against ENC-02"),
    _cbor("integers longer than they need be", "a21900021800 1a000000101a00000007".replace(" ", ""), "4.2.1"),
    _inside("half a float NaN", "f97e00", "section 4.2.2, against ENC-04"),
    _inside("a float NaN with a load", "fb7ff8000000000001", "section 4.2.2, against ENC-04"),
    _inside("a float that is whole", "f94700", "section 3.3, against ENC-04"),
    _inside("infinity", "f97c00", "section 3.3, against ENC-04"),
    _inside("null", "f6", "section 3.3, against ENC-04"),
    _inside("undefined", "f7", "section 3.3, against ENC-04"),
    _inside("a tagged integer", "c107", "section 3.4, against ENC-04"),
    _inside("a bignum of 2^64", "c249010000000000000000", "section 3.4.3, against ENC-04"),
    _inside("2^64-1", "1bffffffffffffffff", "section 3.1, against ENC-05"),
    _inside("-2^64", "3bffffffffffffffff", "section 3.1, against ENC-05"),
    _inside("2^32+7", "1b0000000100000007", "section 3.1, against ENC-05"),
    _inside("text that is not UTF-8", "62fffe", "section 3.1: valid UTF-8"),
    _inside("text cut off in a character", "62e282", "section 3.1: valid UTF-8"),
    _inside("text with a surrogate", "63eda080", "section 3.1; RFC 3629 section 3"),
    _cbor("a tail of one byte", "a20200100700", "section 5.3.1: one data item"),
    _cbor("the same map twice", "a202001007a202001007", "section 5.3.1: one data item"),
    _cbor("arrays 100 deep", "a30200100718ff" + "81" * 99 + "80", "section 10, against ENC-12"),
    _cbor("maps 200 deep", "a100" * 200 + "00", "section 10, against ENC-12"),
    _cbor("5000 open arrays", "a100" + "81" * 5000, "section 10, against ENC-12"),
    _cbor("an act that there is not", "a202186310 07".replace(" ", ""), "against ENC-05"),
    _cbor("a negative act", "a202201007", "against ENC-05"),
    _cbor("a text for a key", "a26361637400636d616d07", "section 5.6, against ENC-06"),
    _cbor("an array for a key", "a38000020010 07".replace(" ", ""), "section 5.6"),
    _cbor("a map for the token", "a2020010a0", "against ENC-05"),
    Hostile("CBOR: an empty map", cbor2.dumps({}), "against ENC-06"),
)

OTHER = (
    Hostile("nothing at all", b"", "against ENC-01"),
    Hostile("one zero byte", b"\x00", "against ENC-01"),
    Hostile("128 times 0xff", b"\xff" * 128, "against ENC-01"),
    Hostile("64 KB of blanks", b" " * 65_000, "against ENC-07"),
    Hostile("64 KB of open braces", b"{" * 65_000, "against ENC-07"),
    Hostile("64 KB of open arrays", b"\xa1\x00" + b"\x81" * 65_000, "against ENC-07"),
)


def all_hostile() -> tuple[Hostile, ...]:
    """Every hostile payload; a CBOR one may be JSON to nobody and the other way round."""
    return (*HOSTILE_JSON, *HOSTILE_CBOR, *OTHER)
