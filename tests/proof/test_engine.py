"""The engine that explores, against SPIN and against itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.needs import needs
from tests.proof.engine.explore import Exploration, Model
from tests.proof.small.alternating_bit import AlternatingBit
from tests.proof.small.peterson import Peterson
from tests.proof.small.peterson import State as PetersonState
from tests.proof.small.spin import count

SMALL = Path(__file__).parent / "small"


@pytest.mark.wire
@needs("spin")
@needs("gcc")
@pytest.mark.parametrize(("name", "model"), [("alternating_bit", AlternatingBit()), ("peterson", Peterson())])
def test_counts_as_many_states_as_spin(name: str, model: Model, tmp_path: Path) -> None:  # type: ignore[type-arg]
    theirs = count(SMALL / f"{name}.pml", tmp_path)
    ours = Exploration(model).run()
    assert ours.complete
    assert theirs.errors == 0
    assert ours.violation is None
    assert ours.states == theirs.states
    assert ours.edges + 1 == theirs.transitions  # SPIN counts the step into the first state


@pytest.mark.parametrize("model", [AlternatingBit(), Peterson()])
def test_both_orders_of_search_find_the_same(model: Model) -> None:  # type: ignore[type-arg]
    wide, deep = Exploration(model).run(), Exploration(model, depth_first=True).run()
    assert (wide.states, wide.edges, wide.agreed) == (deep.states, deep.edges, deep.agreed)
    assert wide.is_good
    assert deep.is_good


class NoTurn(Peterson):
    """Enters whatever the other one wants."""

    def may_enter(self, state: PetersonState, me: int) -> bool:
        return True


def test_finds_the_shortest_way_to_a_violation() -> None:
    found = Exploration(NoTurn()).run()
    assert found.violation is not None
    assert found.violation.what == "both are inside"
    assert len(found.violation.way) == 6  # three steps each
    assert "6. process" in str(found.violation)


class FlagsAlone(Peterson):
    """Waits for the other's flag and knows no turn."""

    def may_enter(self, state: PetersonState, me: int) -> bool:
        return not state.flag[1 - me]


def test_finds_where_there_is_no_way_on() -> None:
    found = Exploration(FlagsAlone()).run()
    assert found.stuck == 2  # both gave way, and it is the turn of either
    assert found.lost >= 2
    assert len(found.stuck_at) == 4


class Chain:
    """Three states in a row; from the second only a disturbance leads on."""

    def first(self) -> int:
        return 0

    def is_agreed(self, state: int) -> bool:
        return state == 2

    def edges(self, state: int) -> list[tuple[object, int, bool, str]]:
        return [("on", state + 1, state == 1, "")] if state < 2 else []


def test_a_way_that_needs_a_disturbance_is_none() -> None:
    found = Exploration(Chain()).run()
    assert (found.violation, found.stuck, found.lost) == (None, 0, 2)
    assert found.lost_at == []  # the first of them is where everything begins
    assert not found.is_good


def test_stops_at_a_number_of_states() -> None:
    found = Exploration(AlternatingBit(), most=5).run()
    assert not found.complete
    assert found.states == 5
