"""The page on lenient libraries tells of each what it does here."""

from __future__ import annotations

import ctypes
import re

import pytest

from conformance.publish.site import sources
from tests.decoders.libraries import (
    CBOR_LIBRARIES,
    CBOR_ROWS,
    JSON_LIBRARIES,
    JSON_ROWS,
    PAGE,
    Takes,
    payloads,
)
from tests.micropython.interpreter import needs_micropython
from tests.needs import needs


def told(names: tuple[str, ...], library: str) -> list[bool]:
    """The column of a library on the page."""
    text = (sources.home() / PAGE).read_text("utf-8")
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in re.findall(r"^\|.*\|$", text, re.MULTILINE)
    ]
    head = next(row for row in rows if library in row)
    return [
        next(row for row in rows if row[0] == name)[head.index(library)] == "**takes it**" for name in names
    ]


def _library(name: str) -> bool:
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


MISSING = {
    "MicroPython `json`": needs_micropython,
    "JavaScript `JSON.parse`": needs("node"),
    "cJSON": pytest.mark.skipif(
        not _library("libcjson.so.1"),
        reason="NOT TESTED: cJSON is not on this machine (Debian: apt install libcjson1)",
    ),
}


@pytest.mark.parametrize(
    ("library", "takes"),
    [
        pytest.param(name, takes, marks=MISSING.get(name, ()), id=name)
        for name, takes in JSON_LIBRARIES.items()
    ],
)
def test_json(library: str, takes: Takes) -> None:
    """`python -m tests.decoders.libraries` writes the table."""
    assert takes(payloads(JSON_ROWS)) == told(JSON_ROWS, library)


def test_cbor() -> None:
    """`python -m tests.decoders.libraries` writes the table."""
    for library, takes in CBOR_LIBRARIES.items():
        assert takes(payloads(CBOR_ROWS)) == told(CBOR_ROWS, library)


def test_ours_take_none_but_what_may_be_written_otherwise() -> None:
    """What the table calls refused is refused by the decoder of the kit too."""
    from protocol.validation import read_message

    for payload in payloads((*JSON_ROWS, *CBOR_ROWS)):
        assert read_message("job-order", payload, closed=True).findings
