"""Where the ways to bend a good run are entered, each with the requirement that it breaks."""

from __future__ import annotations

from collections.abc import Callable

from tests.rules_over_messages.bent import Tale

Bend = Callable[[Tale], object]
BENT: list[tuple[str, Bend]] = []


def breaks(requirement: str) -> Callable[[Bend], Bend]:
    """The requirement that a bend breaks."""

    def enter(bend: Bend) -> Bend:
        BENT.append((requirement, bend))
        return bend

    return enter
