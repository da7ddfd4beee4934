"""What a finding shows was seen, as a person reads it."""

from __future__ import annotations

import pytest

from conformance.oracle.wording import in_words


@pytest.mark.parametrize(
    ("seen", "told"),
    [
        ("no repeat", "no repeat"),
        ("", ""),
        (None, "nothing"),
        (7, "7"),
        (True, "true"),
        (("unsure", False), "'unsure', false"),
        ({}, "nothing"),
        ({"act": "home", "state": "refused", "id": 4}, "act 'home', state 'refused', id 4"),
        ({"slots": ["C-1", ""], "box": None}, "slots ('C-1', ''), box nothing"),
        ([], "none"),
        (["ask", "claim"], "'ask', 'claim'"),
        (("failed", "fault"), "'failed', 'fault'"),
        ([1, [2, 3]], "1, (2, 3)"),
    ],
)
def test_a_value_in_words(seen: object, told: str) -> None:
    assert in_words(seen) == told
