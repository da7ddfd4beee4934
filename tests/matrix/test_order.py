"""Wherever the matrix is stopped, what was judged is a fair part of all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import pytest

from tests.faulty_nodes.matrix.plan import planned as nodes
from tests.faulty_supervisors.matrix.plan import planned as supervisors
from tests.matrix.document import column_of
from tests.matrix.order import Entry, in_turn, merged, sample


@pytest.mark.parametrize("size", [100, 400])
def test_a_first_part_has_each_kind_of_context_and_origin_in_its_share(size: int) -> None:
    plan = nodes()
    part = in_turn(plan)[:size]
    for share_of in (lambda one: column_of(one.id), lambda one: one.from_pages, lambda one: one.node):
        whole, there = Counter(map(share_of, plan)), Counter(map(share_of, part))
        for value, number in whole.items():
            assert there[value] == pytest.approx(number * size / len(plan), abs=8), value


def test_every_entry_comes_once() -> None:
    assert sorted(one.id for one in in_turn(nodes())) == sorted(one.id for one in nodes())
    assert sample(nodes(), 60) == in_turn(nodes())[:60]


def test_queues_side_by_side_are_done_in_step() -> None:
    plans: dict[str, Sequence[Entry]] = {"nodes": nodes(), "supervisors": supervisors()}
    tasks = merged(plans)
    assert len(tasks) == len(nodes()) + len(supervisors())
    first = Counter(name for name, _ in tasks[: len(tasks) // 4])
    for name, plan in plans.items():
        assert first[name] == pytest.approx(len(plan) / 4, abs=2)
    for name, plan in plans.items():
        assert [one for of, one in tasks if of == name] == list(plan)
