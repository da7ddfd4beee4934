"""The proof itself: a few of its explorations in every run of the tests; all of them are `make prove`."""

from __future__ import annotations

import gc
import random
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import pytest

from protocol.specification import specification
from reference_node.snapshot.canonical import Catalogue, Plan, Unclassed
from reference_node.snapshot.copies import freeze, release, thaw
from reference_node.snapshot.how import KEEP
from reference_node.supervisor.supervisor import Supervisor
from tests.proof import long_run
from tests.proof.budgets import small
from tests.proof.document import PAGE, bounds, written
from tests.proof.engine.explore import Exploration
from tests.proof.kill_list import BUDGETS, MOST, TOLD, kill, known, rules
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


def test_what_goes_on_by_itself_and_what_was_kept_as_bytes_come_to_the_same_states() -> None:
    """With every participant made again from its bytes before each step, and with none kept at hand."""
    with patch("tests.proof.yard.supervisor_steps.MOST_LIVE", 0):
        found = explore(Budget("crane"))
    known = recorded()["crane: undisturbed"]
    assert (found.wrong, found.states, found.edges) == ("", known["states"], known["edges"])


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


def one_supervisor() -> Supervisor:
    return Supervisor(one_crane(), CHIEF, boot=1, rng=random.Random(1))


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


def test_a_participant_that_is_taken_apart_leaves_no_circle_behind() -> None:
    supervisor = one_supervisor()
    gc.collect()
    gc.disable()
    try:
        release(supervisor)
        del supervisor
        assert gc.collect() == 0
    finally:
        gc.enable()


@pytest.mark.wire
def test_a_long_run_goes_on_where_it_was_stopped(tmp_path: Path) -> None:
    """A line that was cut off in the middle counts for nothing; what was done is not done again."""
    only, file = "berth: node down", tmp_path / "long.jsonl"
    assert long_run.main(1, 1.0, only, 50, tmp_path) == 0
    before = file.read_text(encoding="utf-8")
    assert [one.name for one in long_run.read(file)] == ["berth: node down, calm"]
    file.write_text(before + before[:40], encoding="utf-8")
    assert long_run.main(1, 1.0, only, 50, tmp_path) == 0
    assert file.read_text(encoding="utf-8") == before
    assert long_run.main(1, 1.0, only, 60, tmp_path) == 0
    assert [one.states for one in long_run.read(file)] == [50, 60]


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
    usual = Exploration(Yard(budget), most=MOST).run().states
    assert kill(rule, budget, usual).what == known()[name]["what"]
