"""What is planted for each breach of a supervisor, by the name of the breach."""

from __future__ import annotations

from collections.abc import Callable

from protocol.specification import specification
from tests.faulty_supervisors.matrix.injection import Injected

BREACHES: dict[str, Callable[[Injected], None]] = {}
JOBS = specification().jobs
REPEAT = specification().timing["order_repeat"]


def breach(name: str) -> Callable[[Callable[[Injected], None]], Callable[[Injected], None]]:
    """Enter what is planted for a breach."""

    def enter(plant: Callable[[Injected], None]) -> Callable[[Injected], None]:
        assert name not in BREACHES, name
        BREACHES[name] = plant
        return plant

    return enter
