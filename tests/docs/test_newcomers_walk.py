"""The first minutes of a newcomer, as they stand in `newcomers_walk.txt`: nobody changes them without being seen."""

from __future__ import annotations

import pytest

from tests.docs.newcomers_walk import COLUMNS, TEXT, walk, written

pytestmark = pytest.mark.wire


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return walk(tmp_path_factory.mktemp("newcomer"))


def test_it_is_as_it_is_written_down(shown: dict[str, str]) -> None:
    """After a change: python -m tests.docs.newcomers_walk, and read it."""
    assert written(shown) == TEXT.read_text(encoding="utf-8")


def test_nothing_is_wider_than_the_terminal(shown: dict[str, str]) -> None:
    wide = [line for text in shown.values() for line in text.splitlines() if len(line) > COLUMNS]
    assert wide == []


def test_nothing_is_a_traceback_or_an_escape_sequence(shown: dict[str, str]) -> None:
    for text in shown.values():
        assert "Traceback" not in text
        assert "\x1b" not in text


def test_every_error_says_what_to_do(shown: dict[str, str]) -> None:
    for line, text in shown.items():
        if text.endswith("[exit 2]") and "Error: " in text:
            told = text[text.index("Error: ") :]
            assert any(word in told for word in ("?", "Its nodes", "Name", "fix", "the commands are")), line
