"""What of the node in MicroPython is made from the specification is as the specification is now."""

from __future__ import annotations

from dataclasses import replace

import pytest

from conformance.publish.firmware.formula_text import NoFormula
from conformance.publish.firmware.micropython.made_files import made_files
from conformance.publish.firmware.micropython.order_desk import python_of
from conformance.publish.firmware.micropython.site_module import site_module
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.trouble import Trouble
from tests.micropython.interpreter import FIRMWARE


@pytest.mark.parametrize("name", made_files(specification()))
def test_a_made_file_is_current(name: str) -> None:
    """Else: python -m conformance.publish.firmware"""
    written = (FIRMWARE / "yardwire_node" / name).read_text(encoding="utf-8")
    assert written == made_files(specification())[name]


def test_a_formula_that_the_node_has_no_word_for_is_refused() -> None:
    assert python_of("order.id <= node.mark") == 'order["id"] <= node.mark'
    assert python_of("after(node.uptime, order.deadline)") == 'after(node.uptime(), order["deadline"])'
    for unknown in ("node.colour == order.id", "moon.weight > 3", "has(moon)", "order.act + 1"):
        with pytest.raises(NoFormula):
            python_of(unknown)


def test_a_board_plays_one_role() -> None:
    ferry = replace(scenario().nodes["ferry"], roles=("shuttle", "berth"))
    with pytest.raises(Trouble, match="one a board"):
        site_module(replace(scenario(), nodes={"ferry": ferry}), "ferry")
    with pytest.raises(Trouble):
        site_module(scenario(), "yard")


@pytest.mark.parametrize("name", ["north", "south", "siding", "ferry"])
def test_the_site_module_says_what_the_site_file_says(name: str) -> None:
    made: dict[str, dict[str, object]] = {}
    exec(site_module(scenario(), name), made)
    node, site = scenario().nodes[name], made["SITE"]
    assert (site["digest"], site["buffer"], site["qos"]) == (node.digest, node.buffer, node.qos)
    assert (site["reads"], site["writes"], site["role"]) == (node.reads, str(node.writes), node.roles[0])
    if node.crane is not None:
        crane = made["SITE"]["crane"]
        assert isinstance(crane, dict)
        assert list(crane["places"]) == list(node.crane.places)
        assert [axis[0] for axis in crane["axes"]] == [axis.name for axis in node.crane.axes]
