"""What the kit prints never commands a terminal; its own colour does, on a terminal alone."""

from __future__ import annotations

import io
import sys

import pytest

from conformance.commands.terminal.streams import harmless_streams, red


class Screen(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


def printed(stream: io.StringIO, text: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(sys, "stdout", stream)
    with harmless_streams():
        sys.stdout.write(text)
    return stream.getvalue()


def test_the_kit_s_own_red_is_red_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    # ECMA-48 8.3.117, SGR: 31 is red, 1 is bold, 0 is the default.
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert printed(Screen(), red("away"), monkeypatch) == "\x1b[31;1maway\x1b[0m"


def test_it_is_plain_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert printed(io.StringIO(), red("away"), monkeypatch) == "away"
    monkeypatch.setenv("NO_COLOR", "1")
    assert printed(Screen(), red("away"), monkeypatch) == "away"


def test_a_colour_in_what_somebody_else_has_said_is_spelt_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert printed(Screen(), "\x1b[31maway", monkeypatch) == "\\u001b[31maway"
    assert printed(Screen(), red("a\x1b[2Jb"), monkeypatch) == "\x1b[31;1ma\\u001b[2Jb\x1b[0m"
