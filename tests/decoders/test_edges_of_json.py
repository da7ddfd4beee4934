"""What is told of JSON that is not quite right: the byte, the requirement and what to do."""

from __future__ import annotations

import json

import pytest

from protocol.codec.json_text import decode_json
from protocol.specification import specification

Told = tuple[str, int | None, bool]


def told(payload: bytes) -> list[Told]:
    """Requirement, byte and whether it is forgiven, of every flaw."""
    return [(flaw.finding.requirement, flaw.finding.byte, flaw.forgiven) for flaw in decode_json(payload)[1]]


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b'{"a":1}', []),
        (b'{"a":"\\n\\"\\\\"}', []),
        (b'{"a":"\\u001f"}', []),
        (b'{"\xc3\xa4":"\\u0041"}', [("ENC-03", 7, True)]),
        (b'{"\xc3\xa4":1, "b":2}', [("ENC-03", 8, True)]),
        (b' {"a":1}', [("ENC-03", 0, True)]),
        (b'{"a":"b c"}', []),
        (b'{"a":"\\/"}', [("ENC-03", 6, True)]),
        (b"\xff", [("ENC-03", 0, False)]),
        (b'{"a":\xc3(', [("ENC-03", 5, False)]),
        (b'{"\xc3\xa4":1}{}', [("ENC-12", 8, False)]),
        (b'{"a":1', [("ENC-12", 6, False)]),
        (b'{"a":"b', [("ENC-12", 7, False)]),
        (b'{"a":"b,', [("ENC-12", 8, False)]),
        (b"{a:1}", [("ENC-01", 1, False)]),
        (b'{"a":1,"a":2}', [("ENC-03", None, False)]),
        (b'{"a":"\\ud800"}', [("ENC-03", 6, True), ("ENC-03", None, False)]),
        (b'{"a":1.5}', [("ENC-04", None, False)]),
        (b'{"a":null}', [("ENC-04", None, False)]),
    ],
)
def test_each_flaw_is_told_with_its_byte(payload: bytes, expected: list[Told]) -> None:
    assert told(payload) == expected


@pytest.mark.parametrize(
    ("value", "fix"),
    [
        ("null", "Leave the field out"),
        ("1.5", "Send an integer in the unit of the field"),
        ("1e3", "Send an integer in the unit of the field"),
        ("NaN", "Send an integer in the unit of the field"),
    ],
)
def test_what_no_field_can_be_says_what_to_send(value: str, fix: str) -> None:
    for payload in (f'{{"a":{value}}}', f'{{"a":[1,{value}]}}'):
        (flaw,) = decode_json(payload.encode())[1]
        assert flaw.finding.fix == fix
        assert flaw.finding.where == ("a" if "[" not in payload else "a[1]")


def test_nesting_ends_at_the_depth_of_the_limits() -> None:
    most = specification().most("depth")
    deepest = "[" * most + "]" * most
    assert (json.dumps(decode_json(deepest.encode())[0]), told(deepest.encode())) == (deepest, [])
    beside = "[" * (most - 1) + "[],[]" + "]" * (most - 1)
    assert told(beside.encode()) == []
    assert told(b"[" + deepest.encode() + b"]") == [("ENC-12", most, False)]
    in_text = '["' + "[" * 99 + '"]'
    assert told(in_text.encode()) == []


def test_an_error_of_syntax_is_told_in_the_librarys_words() -> None:
    (flaw,) = decode_json(b"{a:1}")[1]
    assert flaw.finding.what.startswith("not JSON: expecting property name")
    (cut,) = decode_json(b'{"a":1}{}')[1]
    assert cut.finding.what == "2 bytes behind the end of the object"
