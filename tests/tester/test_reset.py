"""Taking the power away: what is said to a person, and what to do where the time has passed in vain."""

from __future__ import annotations

from typing import Any, cast

import pytest

from conformance.suite.verdict import Unclear
from conformance.tester.reset import AGAIN, Reset, request


class Nobody:
    """A tap at which nothing connects."""

    evidence: tuple[Any, ...] = ()

    def wait_for(self, *_what: Any) -> None:
        return None


def test_a_person_is_told_what_to_do_with_a_board_and_with_a_program() -> None:
    said: list[str] = []
    request(said.append, "siding", 90)()
    (told,) = said
    assert "Take the power of 'siding' away and give it back now (within 90 s" in told
    assert "A program: end it with Ctrl-C, and start it again." in told


def test_where_it_was_not_done_in_time_the_reason_says_what_to_do_next() -> None:
    by_hand = Reset(cast("Any", Nobody()), lambda: None, 90, AGAIN)
    with pytest.raises(Unclear, match=r"within 90 s of its reset: .*run this again.*--reset-command"):
        by_hand()
    by_command = Reset(cast("Any", Nobody()), lambda: None, 60)
    with pytest.raises(Unclear, match=r"within 60 s of its reset: look whether the command"):
        by_command()
