"""Keys as words: arrows jog, and one key holds, whatever else was begun."""

from __future__ import annotations

import pytest

from conformance.commands.measure.collect.keys import Keys
from protocol.site_file import scenario
from reference_node.measuring.words import word_of


def keys() -> Keys:
    crane = scenario().nodes["south"].crane
    assert crane is not None
    return Keys(crane)


@pytest.mark.parametrize(
    ("pressed", "words"),
    [
        ("\x1b[C\x1b[D", ["x 1", "x -1"]),
        ("5\x1b[C0\x1bOD", ["x 5", "x -10"]),
        ("\x1b[A\x1b[B", ["y 1", "y -1"]),
        ("\x1b[5~\x1b[6~", ["z -1", "z 1"]),
        ("\r", ["it"]),
        ("n?y", ["next", "help", "yes"]),
        (":it 0.5\x7f4\rq", ["it 0.4", "quit"]),
        (":admit\x1bn", ["next"]),
        ("\x1b[9~\x1b[C", ["x 1"]),
        ("kKw", []),
    ],
)
def test_keys_say(pressed: str, words: list[str]) -> None:
    assert list(keys().words(pressed)) == words
    assert all(word_of(word) for word in words)


@pytest.mark.parametrize("begun", ["", "5", "\x1b", "\x1b[", "\x1b[6"])
def test_the_space_bar_holds_whatever_was_begun(begun: str) -> None:
    """A sequence that came in two halves, too."""
    found = keys()
    list(found.words(begun))
    assert list(found.words(" ")) == ["hold"]


def test_a_sequence_in_two_halves_is_one_key() -> None:
    found = keys()
    assert [*found.words("\x1b["), *found.words("C")] == ["x 1"]
