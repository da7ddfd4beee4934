"""The two kinds of entries: how each is planned, planted and judged. A module of its own, for processes that judge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from tests.faulty_nodes.matrix.every import BREACHES as NODE_BREACHES
from tests.faulty_nodes.matrix.judge import judge_by_all as judge_of_nodes
from tests.faulty_nodes.matrix.plan import planned as nodes
from tests.faulty_nodes.matrix.planted import SEEDS
from tests.faulty_supervisors.matrix.every import BREACHES as SUPERVISOR_BREACHES
from tests.faulty_supervisors.matrix.judge import judge as judge_of_supervisors
from tests.faulty_supervisors.matrix.plan import planned as supervisors
from tests.matrix.outcome import Outcome


class Kind(NamedTuple):
    """Faulty nodes, or faulty supervisors."""

    plan: Callable[[], Sequence[Any]]
    judge: Callable[..., Outcome]
    plant: Callable[[Any], Callable[[Any], None]]
    """What is planted for an entry."""


KINDS: dict[str, Kind] = {
    "nodes": Kind(nodes, judge_of_nodes, lambda planted: NODE_BREACHES[planted.breach]),
    "supervisors": Kind(
        supervisors, judge_of_supervisors, lambda planted: SUPERVISOR_BREACHES[planted.breach]
    ),
}


def judged(task: tuple[str, Any], seeds: int) -> tuple[str, Outcome | str]:
    """Judge one entry of a kind; in words, why that could not be done."""
    kind, planted = task
    try:
        return kind, KINDS[kind].judge(planted, seeds=SEEDS[:seeds])
    except Exception as error:  # noqa: BLE001 - one entry that goes wrong must not end a run of half an hour
        return kind, f"{planted.id}: {error!r}"
