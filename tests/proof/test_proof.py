"""The proof itself: a few of its explorations in every run of the tests; all of them are `make prove`."""

from __future__ import annotations

import random
from dataclasses import dataclass
from unittest.mock import patch

import pytest

from protocol.specification import specification
from reference_node.snapshot.canonical import Catalogue, Plan, Unclassed
from reference_node.snapshot.copies import freeze, thaw
from reference_node.snapshot.how import KEEP
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.budgets import small
from tests.proof.document import PAGE, bounds, written
from tests.proof.kill_list import BUDGETS, TOLD, kill, known, rules
from tests.proof.run import explore, recorded
from tests.proof.walks import met
from tests.proof.yard.budget import DISTURBANCES, Budget
from tests.proof.yard.participants import CATALOGUE_OF_ALL, Steps
from tests.proof.yard.sites import CHIEF, one_crane
from tests.proof.yard.state import State
from tests.proof.yard.yard import Yard


def test_both_orders_of_search_find_the_same_states() -> None:
    wide, deep = explore(Budget("crane")), explore(Budget("crane"), depth_first=True)
    assert wide.complete
    assert (wide.states, wide.edges, wide.agreed) == (deep.states, deep.edges, deep.agreed)
    assert wide.states == recorded()["crane: undisturbed"]["states"]


def test_every_small_budget_has_its_counts() -> None:
    assert {budget.name for budget in small()} == set(recorded())


@pytest.mark.parametrize("disturbance", ["repeat", "cancel"])
def test_nothing_is_wrong(disturbance: str) -> None:
    budget = Budget("crane", {disturbance: 1})
    outcome = explore(budget)
    assert outcome.wrong == ""
    assert outcome.complete
    assert outcome.states >= recorded()[budget.name]["states"]


def test_every_disturbance_is_one_that_the_yard_can_do() -> None:
    for name in DISTURBANCES:
        assert callable(getattr(Yard, "_do_" + name.replace(" ", "_").replace("-", "_")))


class AcceptsTwice(Supervisor):
    """Has a field that no plan names."""

    def __init__(self, *args: object, **more: object) -> None:
        super().__init__(*args, **more)  # type: ignore[arg-type]
        self.new = 0


def test_a_field_that_nobody_has_classed_is_told() -> None:
    supervisor = AcceptsTwice(one_crane(), CHIEF, boot=1, rng=random.Random(1))
    with pytest.raises(Unclassed, match="AcceptsTwice: new"):
        CATALOGUE_OF_ALL.snapshot(supervisor, 0)


@dataclass
class Counter:
    count: int = 0


def test_a_class_that_nobody_has_classed_is_told() -> None:
    with pytest.raises(Unclassed, match="no plan"):
        Catalogue({}, ()).snapshot(Counter(), 0)


def test_a_copy_goes_on_by_itself() -> None:
    catalogue = Catalogue({Counter: Plan({"count": KEEP})}, ())
    one = Counter(3)
    other = thaw(freeze(one, catalogue))
    other.count += 1
    assert catalogue.snapshot(one, 0) == (3,)
    assert catalogue.snapshot(other, 0) == (4,)


def test_the_page_says_what_was_found() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert written(page) == page, "python -m tests.proof.document"


def test_every_figure_of_time_has_its_bound_argued() -> None:
    told = " ".join(name + figure for name, figure, _ in bounds())
    assert [name for name in specification().timing if name not in told] == []


def test_every_rule_has_been_taken_away_and_found_or_explained() -> None:
    found = known()
    assert {rule.name for rule in rules()} == set(found)
    assert not [name for name, one in found.items() if not one["what"] and not one["reason"]]


def test_a_row_that_a_walk_needs_is_missed_where_it_is_taken_away() -> None:
    """What a walk says of a row it only reckons; here the row is really away."""
    name = "row job: failed, repeat"
    rule = next(rule for rule in rules() if rule.name == name)
    seed = int(known()[name]["budget"].removeprefix("walk "))
    edges, broken = Yard.edges, set[str]()

    def noting(yard: Yard, state: State) -> list[tuple[object, State, bool, str]]:
        found = edges(yard, state)
        broken.update(wrong[:TOLD] for *_, wrong in found if wrong)
        return found

    with rule.taken(), patch.object(Yard, "edges", noting):
        assert sum(1 for _ in met(seed, Steps("crane"))) > 0
    assert broken == {known()[name]["what"]}


@pytest.mark.parametrize("name", ["check past_deadline", "Rules.busy", "Holds.due"])
def test_a_rule_that_is_taken_away_is_found_again(name: str) -> None:
    """A sample; all of them are `make prove ARGS=--kill`."""
    rule = next(rule for rule in rules() if rule.name == name)
    budget = next(budget for budget in BUDGETS if budget.name == known()[name]["budget"])
    assert kill(rule, budget).what == known()[name]["what"]
