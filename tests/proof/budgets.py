"""Which explorations are run: the small budgets of every run of CI, and the pairs and triples of a long one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

from tests.proof.yard.budget import DISTURBANCES, Budget

FAST = ("repeat", "overtake", "late word", "early", "cancel", "silence", "expiry")
"""Explored small as every race that they have, messages of several steps under way at once."""
CALM = (
    "late order",
    "node down",
    "reset",
    "outage",
    "restart",
    "second",
    "hold",
    "other hold",
    "fault",
    "power",
    "give-up",
    "stale answer",
    "told",
)
"""Explored small with a net that is faster than machines; every race of theirs is in the long run."""

WIDE = (("late word", "repeat"), ("late word", "early"))
"""Pairs explored with more messages under way: many states, in which participants do little that is new."""


def small() -> tuple[Budget, ...]:
    """Every disturbance once on the smallest site, what only other sites can show, what the net does twice."""
    return (
        Budget("crane"),
        Budget("crane, QoS 0", {"lose": 1}),
        *(Budget("crane", {name: 1}) for name in FAST),
        *(_calm("crane", name) for name in CALM),
        replace(_calm("crane", "second"), same_part=True),
        _calm("crane", "restart", "old map"),
        _calm("crane, no load sensor", "reset"),
        replace(_calm("crane", "repeat"), uptime=2**32 - 8),
        *(Budget("crane", dict.fromkeys(two, 1), lag=7) for two in WIDE),
        Budget("crane", {"late word": 1, "repeat": 2}),
        _calm("berth"),
        _calm("berth", "repeat"),
    )


def _calm(site: str, *may: str) -> Budget:
    return Budget(site, dict.fromkeys(may, 1), calm=True, lag=0)


def sites() -> Iterator[Budget]:
    """The larger sites, undisturbed and with each disturbance of their nodes and of the net."""
    yield _calm("run")
    for name in ("node down", "reset", "power", "fault", "outage", "restart"):
        yield _calm("berth", name)
    yield _calm("berth, QoS 0", "lose")
    yield _calm("shuttle")
    for name in ("repeat", "node down", "reset"):
        yield _calm("shuttle", name)


def pairs(site: str = "crane", *, calm: bool = False) -> Iterator[Budget]:
    """Every two disturbances together."""
    return _together(2, site, calm=calm)


def triples(site: str = "crane", *, calm: bool = False) -> Iterator[Budget]:
    """Every three."""
    return _together(3, site, calm=calm)


def _together(count: int, site: str, *, calm: bool) -> Iterator[Budget]:
    for some in combinations(DISTURBANCES, count):
        where = site + (", QoS 0" if "lose" in some else "")
        yield _calm(where, *some) if calm else Budget(where, dict.fromkeys(some, 1))
