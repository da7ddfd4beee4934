"""Every legal variant passes: once each in CI, over every node and mode that it can be by hand."""

from __future__ import annotations

import pytest

from tests.legal_nodes.every import LEGAL
from tests.legal_nodes.legal import Legal

EVERY = [(one, node, bench) for one in LEGAL.values() for node in one.nodes for bench in one.modes]


def _one_each() -> list[tuple[Legal, str, bool]]:
    """Each variant once, as one node after the other, on the bench where it can be there."""
    return [(one, one.nodes[at % len(one.nodes)], one.modes[0]) for at, one in enumerate(LEGAL.values())]


def _name(given: object) -> str:
    if isinstance(given, bool):
        return "bench" if given else "service"
    return given.name if isinstance(given, Legal) else str(given)


@pytest.mark.parametrize(("variant", "node", "bench"), _one_each(), ids=_name)
def test_a_legal_node_passes(variant: Legal, node: str, bench: bool) -> None:
    assert variant.alarms(node, bench=bench) == {}


@pytest.mark.exhaustive
@pytest.mark.parametrize(("variant", "node", "bench"), EVERY, ids=_name)
def test_a_legal_node_passes_as_every_node_in_every_mode(variant: Legal, node: str, bench: bool) -> None:
    assert variant.alarms(node, bench=bench) == {}


def test_there_are_sixty_of_them_of_every_role() -> None:
    assert len({(one.name, node) for one, node, _ in EVERY}) >= 60
    assert {node for _, node, _ in EVERY} == {"north", "south", "siding", "ferry"}
