"""Breaches by name: what each plants in a node."""

from __future__ import annotations

from collections.abc import Callable

from tests.faulty_nodes.matrix.injection import Injection

Plant = Callable[[Injection], None]
BREACHES: dict[str, Plant] = {}


def breach(name: str) -> Callable[[Plant], Plant]:
    """Enter what is planted for a breach."""

    def enter(plant: Plant) -> Plant:
        assert name not in BREACHES, name
        BREACHES[name] = plant
        return plant

    return enter
