"""How much of anything a TOML file may have: the last that is taken, and the first that is not."""

from __future__ import annotations

import pytest

from protocol.toml_problems import MOST_BYTES, MOST_DEPTH, MOST_VALUES, NotToml, fractions, parse_toml


def refused(content: bytes) -> tuple[str, str]:
    """Where and what; two '' for a file that is taken."""
    try:
        parse_toml(content)
    except NotToml as error:
        return error.problem.where, error.problem.what
    return "", ""


def test_bytes() -> None:
    line = b"a = 1\n#"
    assert refused(line + b"x" * (MOST_BYTES - len(line))) == ("", "")
    where, what = refused(line + b"x" * (MOST_BYTES - len(line) + 1))
    assert (where, what) == ("byte 262144", "262,145 bytes, and a file may have 262,144")


def test_depth() -> None:
    assert refused(b"a = " + b"[" * MOST_DEPTH + b"]" * MOST_DEPTH) == ("", "")
    one_more = MOST_DEPTH + 1
    assert "nested deeper than 16" in refused(b"a = " + b"[" * one_more + b"]" * one_more)[1]
    assert refused(b"a = " + b"[" * 9000 + b"]" * 9000)[1] == "nested deeper than 16 tables and arrays"
    before = b"b = [[1],[2]]\na = "
    where, _ = refused(before + b"[" * 9000 + b"]" * 9000)
    assert where == f"byte {len(before) + MOST_DEPTH}"


def test_values() -> None:
    """The file itself and its one key count too."""
    assert refused(b"a = [" + b"1," * (MOST_VALUES - 2) + b"]") == ("", "")
    assert refused(b"a = [" + b"1," * (MOST_VALUES - 1) + b"]") == ("the file", "more than 50,000 values")


@pytest.mark.parametrize("number", [2**63 - 1, -(2**63)])
def test_numbers_have_64_bits(number: int) -> None:
    assert refused(b"a = %d" % number) == ("", "")
    beyond = number + (1 if number > 0 else -1)
    assert refused(b"[t]\na = [0, %d]" % beyond) == ("t.a.1", "a number of more than 64 bits")


def test_keys_of_many_parts() -> None:
    assert refused(b".".join([b"a"] * MOST_DEPTH) + b" = 1") == ("", "")
    assert refused(b".".join([b"a"] * (MOST_DEPTH + 1)) + b" = 1")[0] == "byte 0"


def test_more_digits_than_python_reads() -> None:
    where, what = refused(b"a = " + b"9" * 5000)
    assert (where, what) == ("byte 4", "a number of more digits than a number may have")


def test_fractions_are_told_with_their_place() -> None:
    found = list(fractions({"a": [1, {"b": 2.5}], "c": 3.0, "d": 4}))
    assert [(one.where, one.what) for one in found] == [
        ("a.1.b", "2.5 has a decimal point"),
        ("c", "3.0 has a decimal point"),
    ]


@pytest.mark.parametrize(
    ("before", "part", "after", "where"),
    [
        (b"x = 1\n", b"a . ", b"a = 1", "byte 6"),
        (b"", b'"a".', b"a = 1", "byte 0"),
        (b"", b"'a'.", b"a = 1", "byte 0"),
        (b"", b"a-b_C0\t.", b"a = 1", "byte 0"),
        (b"[", b"a.", b"a]", "byte 1"),
    ],
)
def test_a_key_of_too_many_parts_is_told_with_its_byte(
    before: bytes, part: bytes, after: bytes, where: str
) -> None:
    assert refused(before + part * 15 + after) == ("", "")
    assert refused(before + part * 16 + after) == (where, "nested deeper than 16 tables and arrays")


def test_the_file_itself_is_the_outermost_table() -> None:
    for tables, value, where in (
        (15, b"1", ""),
        (16, b"1", "kk." * 16 + "x"),
        (15, b"[1]", "kk." * 15 + "x.0"),
    ):
        told = refused(b"[" + b".".join([b"kk"] * tables) + b"]\nx = " + value)
        assert told == (where, "nested deeper than 16 tables and arrays" * bool(where))


def test_the_place_of_a_value_is_its_keys() -> None:
    assert refused(b"[[t]]\n[[t]]\nb = [0, 1, %d]" % 2**63) == ("t.1.b.2", "a number of more than 64 bits")
    assert refused(b"k" * 61 + b" = %d" % 2**63)[0] == "k" * 60
    assert refused(b'"\\u001b" = %d' % 2**63)[0] == "\\u001b"
    assert next(iter(fractions({"k" * 61: 1.5}))).where == "k" * 60
