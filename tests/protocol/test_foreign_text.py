"""What a stranger wrote, beside the general categories of Unicode (TR44) and a reader of JSON (RFC 8259)."""

from __future__ import annotations

import json
import sys
import unicodedata

import pytest

from protocol.foreign_text import harmless, one_line

ALL = [chr(code) for code in range(sys.maxunicode + 1)]
DANGEROUS = {"Cc", "Cf", "Cs", "Zl", "Zp"}


@pytest.mark.slow
def test_nothing_that_commands_or_turns_is_left() -> None:
    for sign in ALL:
        shown = one_line(f"a{sign}b")
        if unicodedata.category(sign) in DANGEROUS:
            assert shown.isascii(), hex(ord(sign))
            assert shown.isprintable(), hex(ord(sign))


def test_what_people_write_stays() -> None:
    text = "Ölhafen, Gleis 3: 20 µm und 5, 軌道 🚂"
    assert one_line(text) == text == harmless(text)
    assert harmless("one\n\ttwo") == "one\n\ttwo"
    assert one_line("one\n\ttwo") == "one\\u000a\\u0009two"


def test_json_stays_json_and_says_the_same() -> None:
    text = "-".join(sign for sign in ALL if unicodedata.category(sign) in DANGEROUS)
    document = json.dumps({text: text}, ensure_ascii=False)
    shown = harmless(document)
    assert json.loads(shown) == {text: text}
    assert shown.isascii()
