"""`show --delta`: of each message what is different to the one before it."""

from __future__ import annotations

from conformance.recordings.changes import NOTHING, Changes
from tests.recordings.conftest import Yards
from tests.recordings.test_show import ran


def test_only_what_is_different_is_told() -> None:
    changes = Changes()
    first = {"seq": 1, "uptime": 10, "mode": "ready", "axes": [[0, 0, True], [5, 5, True]]}
    assert changes.words("t", "crane-status", first, "all of it") == "all of it"
    assert changes.words("t", "crane-status", first | {"seq": 2, "uptime": 20}, "x") == NOTHING
    moved = first | {"mode": "moving", "axes": [[3, 9, True], [5, 5, False]], "step": "pick"}
    told = changes.words("t", "crane-status", moved, "x")
    assert (
        told == "mode ready > moving, axes[0][0] 0 > 3, axes[0][1] 0 > 9, axes[1][2] yes > no, step - > pick"
    )
    assert changes.words("t", "crane-status", first, "x").endswith("step pick > -")
    assert changes.words("other", "crane-status", first, "all of it") == "all of it", "each topic by itself"


def test_an_order_is_told_whole() -> None:
    changes = Changes()
    assert [changes.words("t", "job-order", {"act": "ask"}, "ask") for _ in range(2)] == ["ask", "ask"]


def test_a_text_of_others_commands_no_terminal() -> None:
    changes = Changes()
    changes.words("t", "fault", {"text": "a"}, "")
    assert "\x1b" not in changes.words("t", "fault", {"text": "\x1b[2J"}, "")


def test_show_says_so_in_80_columns(yards: Yards) -> None:
    lines = ran(yards.good(1), "--node", "north", "--message", "crane-status", "--delta").output.splitlines()
    assert max(map(len, lines)) <= 80
    assert sum(line.endswith(NOTHING) for line in lines) > 3
    assert any("axes[0][0] " in line for line in lines)
