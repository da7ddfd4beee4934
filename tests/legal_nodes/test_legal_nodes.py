"""Every legal variant passes: a third of them once each in CI, and by hand all, as every node in every mode."""

from __future__ import annotations

import pytest

from tests.legal_nodes.every import LEGAL
from tests.legal_nodes.legal import Legal
from tests.sample import sampled

EVERY = [(one, node, bench) for one in LEGAL.values() for node in one.nodes for bench in one.modes]


def _one_each() -> list[tuple[Legal, str, bool]]:
    """Each variant once, as one node after the other, on the bench where it can be there."""
    return [(one, one.nodes[at % len(one.nodes)], one.modes[0]) for at, one in enumerate(LEGAL.values())]


def _name(given: object) -> str:
    if isinstance(given, bool):
        return "bench" if given else "service"
    return given.name if isinstance(given, Legal) else str(given)


ONE_EACH = {one.name: (one, node, bench) for one, node, bench in _one_each()}


@pytest.mark.parametrize("name", sampled(tuple(ONE_EACH), tuple(ONE_EACH)[::3]))
def test_a_legal_node_passes(name: str) -> None:
    variant, node, bench = ONE_EACH[name]
    assert variant.alarms(node, bench=bench) == {}


@pytest.mark.exhaustive
@pytest.mark.parametrize(("variant", "node", "bench"), EVERY, ids=_name)
def test_a_legal_node_passes_as_every_node_in_every_mode(variant: Legal, node: str, bench: bool) -> None:
    assert variant.alarms(node, bench=bench) == {}


def test_there_are_sixty_of_them_of_every_role() -> None:
    assert len({(one.name, node) for one, node, _ in EVERY}) >= 60
    assert {node for _, node, _ in EVERY} == {"north", "south", "siding", "ferry"}
