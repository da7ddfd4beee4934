"""What a crane says of its load when it breaks off in the moment in which its load sensor changes."""

from __future__ import annotations

from tests.reference_node.yard import Yard, homed_crane

BOX = ("stack-n", 1)


def gripping() -> Yard:
    """A crane whose spreader has just taken a box that its sensor has not settled on."""
    yard = homed_crane(boxes={("stack-n", 0): "A", BOX: "B"})
    to = {"to": "stack-n", "to_slot": 2}
    yard.order("north", "transfer", from_="stack-n", from_slot=1, box="B", **to)
    assert yard.until(lambda: BOX not in yard.world.boxes)
    return yard


def test_a_load_that_has_not_settled_is_unsure_after_a_fault() -> None:
    yard = gripping()
    before = len(yard.reports("north"))
    yard.machines["north"].cut_power()
    yard.run(0)
    report = yard.reports("north")[before]
    assert (report["state"], report["load"]) == ("failed", "unsure")
    assert yard.state("north", "crane-status")["load"] == "unsure"


def test_once_it_has_settled_it_is_told() -> None:
    yard = gripping()
    yard.machines["north"].cut_power()
    yard.run(10)
    status = yard.state("north", "crane-status")
    assert (status["mode"], status["load"]) == ("faulted", "box")


def test_that_the_fault_is_reset_settles_no_load() -> None:
    """A person who answers within the debounce has not seen more than the sensor."""
    yard = gripping()
    yard.machines["north"].cut_power()
    yard.run(0)
    yard.machines["north"].restore_power()
    yard.order("north", "reset-fault", faults=1)
    yard.run(0)
    status = yard.state("north", "crane-status")
    assert (status["mode"], status["load"]) == ("unhomed", "unsure")
    yard.run(10)
    status = yard.state("north", "crane-status")
    assert (status["mode"], status["load"]) == ("unhomed", "box")
