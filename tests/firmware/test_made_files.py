"""What of the core in C is made from the specification is as the specification is now."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.publish.firmware.core_files import core_files
from conformance.publish.firmware.formula_text import NoFormula
from conformance.publish.firmware.order_desk import c_of
from conformance.publish.firmware.order_table import fields, mask, slots, together
from conformance.publish.firmware.site_header import site_header
from protocol.site import Site
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.trouble import Trouble
from tests.firmware.board import CORE


@pytest.mark.parametrize("name", core_files(specification()))
def test_a_made_file_is_current(name: str) -> None:
    """Else: python -m conformance.publish.firmware"""
    assert (CORE / "src" / name).read_text(encoding="utf-8") == core_files(specification())[name]


def test_no_two_fields_of_an_act_share_a_place() -> None:
    spec = specification()
    found = {field.name: field for field in fields(spec)}
    places = slots(found.values())
    for act, schema in spec.acts.items():
        kept = [(found[name].kind == 2, places[name]) for name in schema["properties"] if name in places]
        assert len(kept) == len(set(kept)), act


def test_what_comes_together_is_what_the_schemas_ask_for() -> None:
    found = fields(specification())
    groups = {frozenset(group) for group in together(specification())}
    assert frozenset({"reading", "arrival", "berth_boot"}) in groups
    assert mask(found, {"boot", "act"}) == 0b101


def test_a_formula_that_the_core_has_no_word_for_is_refused() -> None:
    assert c_of("order.id <= node.mark") == "yw_id(order) <= yw.mark"
    assert c_of("after(node.uptime, order.deadline)") == "(int32_t)(yw_uptime() - yw_deadline(order)) > 0"
    for unknown in ("node.colour == order.id", "order.weight > 3", "has(moon)", "order.act + 1"):
        with pytest.raises(NoFormula):
            c_of(unknown)


def test_the_core_plays_one_role() -> None:
    ferry = replace(scenario().nodes["ferry"], roles=("shuttle", "berth"))
    with pytest.raises(Trouble, match="one a board"):
        site_header(replace(scenario(), nodes={"ferry": ferry}), "ferry")
    with pytest.raises(Trouble):
        site_header(scenario(), "yard")
    assert f"YW_DIGEST 0x{scenario().nodes['north'].digest:08X}UL" in site_header(scenario(), "north")


def bent(**changes: Any) -> Site:
    """The south crane with another table, slot or axis."""
    site = scenario()
    south = site.nodes["south"]
    assert south.crane is not None
    axes = changes.pop("axes", south.crane.axes)
    track = replace(south.crane.places["siding"], **changes)
    crane = replace(south.crane, axes=axes, places={**south.crane.places, "siding": track})
    return replace(site, nodes={**site.nodes, "south": replace(south, crane=crane)})


def test_a_site_whose_figures_fit_no_16_bits_is_refused() -> None:
    """The core multiplies two numbers of 16 bits, and would move to a wrong place without a word."""
    south = scenario().nodes["south"].crane
    assert south is not None
    long = (replace(south.axes[0], least=-20_000, most=20_000), *south.axes[1:])
    for changes, told in (
        ({"axes": long}, "is longer than 32767 units"),
        ({"table": ((0, 0), (10, 40_000))}, "too wide a step behind reading 0"),
        ({"table": ((0, 0), (32_000, 32_767), (65_000, -32_767))}, "too wide a step behind reading 32000"),
        ({"table": ((0, 0), (10, 32_000)), "slots": ((32_000, 0, 0),)}, "is beyond 32767 units"),
    ):
        with pytest.raises(Trouble, match=told) as raised:
            site_header(bent(**changes), "south")
        assert raised.value.fix or "slot" in told or "beyond" in told
    assert "YW_PLACES" in site_header(bent(), "south")
