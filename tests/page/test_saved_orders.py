"""Saved orders: what cannot be ordered by hand cannot be saved, and a file is no way around a check."""

from __future__ import annotations

from pathlib import Path

import pytest

from conformance.page.server.desk import Call
from conformance.page.server.order_forms import NOT_OFFERED
from conformance.page.server.saved_orders import SavedOrders
from protocol.site_file import scenario
from protocol.trouble import Trouble

TEXT = """\
# what I use
[tidy]
node = "north"
act = "park"

[load]
node = "south"
act = "transfer"
to = "siding"
to_slot = 2
box = "B-1"
"""


def orders(folder: Path, text: str = TEXT) -> SavedOrders:
    path = folder / "orders.toml"
    path.write_text(text)
    return SavedOrders(scenario(), path)


def test_each_is_the_call_that_a_person_would_make(tmp_path: Path) -> None:
    found = {one.name: one.call() for one in orders(tmp_path)}
    assert found == {
        "tidy": Call("order", ("north", "park")),
        "load": Call("order", ("south", "transfer"), {"to": "siding", "to_slot": 2, "box": "B-1"}),
    }


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[x]\nnode = "nobody"\nact = "park"', "takes no order"),
        ('[x]\nnode = "north"\nact = "run"', "It takes"),
        ('[x]\nnode = "siding"\nact = "park"', "takes no order"),
        ('[x]\nnode = "south"\nact = "transfer"\nto = "siding"', "slot is missing"),
        ('[x]\nnode = "south"\nact = "transfer"\nto = "stack-n"\nto_slot = 0', "is one of"),
        ('[x]\nnode = "north"\nact = "park"\nyes = true', "park has no yes"),
        ('[x]\nnode = "north"\nact = "jog"\nx = 1\ny = 1\nz = 99999', "z in mm is a whole number"),
        ("x = 1", "expected an order"),
        ("[x", "not TOML"),
        ('["a b"]\nnode = "north"\nact = "park"', "is not a name"),
    ],
)
def test_what_is_wrong_is_told_before_anything_runs(text: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(Trouble, match=told) as caught:
        orders(tmp_path, text)
    assert "orders.toml" in str(caught.value)


@pytest.mark.parametrize("act", sorted(NOT_OFFERED))
def test_what_the_page_does_not_offer_cannot_be_saved(act: str, tmp_path: Path) -> None:
    """A resume above all: it is asked for by name each time."""
    with pytest.raises(Trouble, match="takes no order"):
        orders(tmp_path, f'[x]\nnode = "north"\nact = "{act}"')


def test_one_is_saved_beside_what_stands_there(tmp_path: Path) -> None:
    found = orders(tmp_path)
    assert found.save("up", Call("order", ("north", "jog"), {"target": [600, 0, 0]})) is None
    text = (tmp_path / "orders.toml").read_text()
    assert text.startswith("# what I use\n")
    again = SavedOrders(scenario(), tmp_path / "orders.toml")
    up = again.get("up")
    assert up is not None
    assert up.call() == Call("order", ("north", "jog"), {"target": [600, 0, 0]})
    assert [one.name for one in again] == ["tidy", "load", "up"]


@pytest.mark.parametrize(
    ("name", "call", "told"),
    [
        ("tidy", Call("order", ("north", "home")), "already"),
        ("x", Call("want", ("B-1", "stack-s", 0)), "only an order"),
        ("x", Call("order", ("north", "hold")), "takes no order"),
        ("a b", Call("order", ("north", "home")), "not a name"),
    ],
)
def test_what_cannot_be_saved_changes_no_file(name: str, call: Call, told: str, tmp_path: Path) -> None:
    found = orders(tmp_path)
    assert told in (found.save(name, call) or "")
    assert (tmp_path / "orders.toml").read_text() == TEXT


def test_no_file_is_no_orders(tmp_path: Path) -> None:
    assert list(SavedOrders(scenario(), tmp_path / "orders.toml")) == []
