"""What is kept between runs of the matrix, and the page that is made of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.specification import specification
from tests.faulty_nodes.matrix.plan import planned as nodes
from tests.matrix.document import (
    COLUMNS,
    PAGE,
    PLANS,
    RECORDED,
    TWO,
    column_of,
    contexts_of,
    page,
    reasons,
    recorded,
    totals,
)
from tests.matrix.order import sample
from tests.matrix.outcome import CAUGHT, EITHER, EQUIVALENT, SURVIVED, UNVISITED, Outcome, kept, line_of


def test_the_page_is_made_of_what_is_recorded() -> None:
    assert PAGE.read_text() == page(recorded()), "python -m tests.matrix writes it again"
    assert '"nodes": {' in RECORDED.read_text()


def test_every_context_has_a_column_and_every_requirement_judged_a_row() -> None:
    text = PAGE.read_text()
    known = {context for group in COLUMNS.values() for context in group}
    for kind, plan in PLANS.items():
        for one in plan():
            assert set(contexts_of(one.id)) <= known
        for outcome in recorded()[kind].values():
            assert not outcome.counted or f"| {outcome.requirement} |" in text
    assert all(f" {column} |" in text for column in (*COLUMNS, TWO))


def test_every_survivor_stands_there_and_every_reason_is_one_of_a_breach() -> None:
    text = PAGE.read_text()
    for there in recorded().values():
        for outcome in there.values():
            assert (f"| `{outcome.id}`" in text) is (outcome.counted and not outcome.caught)
    names = {one.breach for plan in PLANS.values() for one in plan()}
    ids = {one.id for plan in PLANS.values() for one in plan()}
    for named in reasons():
        assert named in ids or named.partition("@")[0].partition("+")[0] in names, named


def test_either_requirement_is_one_that_there_is_of_a_breach_that_there_is() -> None:
    breaks = {one.breach: one.requirement for plan in PLANS.values() for one in plan()}
    for breach, others in EITHER.items():
        assert others, breach
        for requirement, why in others.items():
            assert requirement in specification().requirements
            assert requirement != breaks[breach]
            assert why.endswith(".")


def test_named_first_is_what_is_broken_or_what_is_as_right() -> None:
    for named, first in (("LNK-09", True), ("LNK-04", True), ("LNK-01", False)):
        assert Outcome("link-behind@siding/always", "LNK-09", CAUGHT, "link-will", named, 5, 5).first is first
        assert Outcome("link-behind@siding/always", "LNK-09", SURVIVED, walk=named).first is first
    assert not Outcome("seq-repeated@north/link-2", "MSG-07", CAUGHT, "link-will", "LNK-04", 5, 5).first


def test_figures_count_what_a_tester_could_tell() -> None:
    caught = Outcome("a@north/held", "MSG-11", CAUGHT, "messages-mark", "MSG-11", 5, 5)
    other = Outcome("b@north/held", "MSG-11", CAUGHT, "orders-ask", "ORD-03", 5, 5)
    lost = Outcome("c@north/held", "MSG-11", SURVIVED)
    alike = Outcome("d@north/held", "MSG-11", EQUIVALENT)
    walked = Outcome("e@north/held", "MSG-11", SURVIVED, walk="MSG-11")
    passed = Outcome("f@north/held", "MSG-11", UNVISITED, walk="passed")
    assert totals([caught, other, lost, alike, walked, passed]) == (5, 3, 2)


def test_a_sample_is_always_the_same_and_each_node_and_context_has_its_share() -> None:
    plan = nodes()
    chosen = sample(plan, 250)
    assert len({one.id for one in chosen}) == 250
    assert chosen == sample(plan, 250) != sample(plan, 249)
    for node in {one.node for one in plan}:
        share = sum(one.node == node for one in chosen) / 250
        assert share == pytest.approx(sum(one.node == node for one in plan) / len(plan), abs=0.01)
    assert {column_of(one.id) for one in chosen} == {*COLUMNS, TWO}


def test_what_was_cut_off_is_judged_again(tmp_path: Path) -> None:
    whole = Outcome("a@north/held", "MSG-11", CAUGHT, "messages-mark", "MSG-11", 5, 5, revision="r1")
    path = tmp_path / "nodes.jsonl"
    path.write_text(line_of(whole) + line_of(whole)[:-20])
    assert list(kept(path)) == [whole]
    assert list(kept(tmp_path / "none.jsonl")) == []
