"""Every order of jobs, one after the other: an independent planner without any bound, for small cases.

Uniform-cost search over all schedules. It shares neither a rule nor a duration with the planner.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from itertools import count
from typing import NamedTuple

from reference_node.supervisor.observe.boxes import Spot
from tests.planning import times
from tests.planning.yards import NEAR, SITE, Case

NODES = ("north", "south", "ferry", "siding")
REACH = {"north": ("stack-n", "ferry"), "south": ("ferry", "stack-s", "siding")}
QUAY = {"north": "quay-n", "south": "quay-s"}


class Yard(NamedTuple):
    """boxes by label, where the shuttle is, how many trains came, whether one stands there, where cranes were last."""

    boxes: tuple[tuple[str, Spot], ...]
    stop: str
    came: int
    fixtures: bool
    cranes: tuple[tuple[str, Spot], ...] = ()


def least_cost(case: Case) -> int:
    """When the last goal is met and the work of all nodes, together, in the plan in which that is least."""
    start = Yard(tuple(sorted(case.boxes.items())), case.stop, int(case.at_rest), case.at_rest)
    free = tuple(case.busy_ms.get(node, 0) for node in NODES)
    order = count()
    heap = [(max(free), next(order), start, (*free, 0))]
    seen: dict[Yard, list[tuple[int, ...]]] = {}
    while heap:
        cost, _, yard, spent = heapq.heappop(heap)
        if met(case, yard):
            return cost
        if any(all(a <= b for a, b in zip(old, spent, strict=True)) for old in seen.get(yard, ())):
            continue
        seen.setdefault(yard, []).append(spent)
        free, work = spent[:-1], spent[-1]
        for node, lasts, earliest, after in jobs(case, yard):
            end = max([earliest, *(free[NODES.index(other)] for other in NEAR[node])]) + lasts
            ends = [end if name == node else time for name, time in zip(NODES, free, strict=True)]
            heapq.heappush(heap, (max(ends) + work + lasts, next(order), after, (*ends, work + lasts)))
    raise AssertionError("there is no way")


def met(case: Case, yard: Yard) -> bool:
    where = dict(yard.boxes)
    return (
        all(where.get(box) == spot for box, spot in case.goal_state.boxes.items())
        and yard.came == len(case.goal_state.visits)
        and not yard.fixtures
    )


def jobs(case: Case, yard: Yard) -> Iterator[tuple[str, int, int, Yard]]:
    where = dict(yard.boxes)
    taken = {spot: box for box, spot in yard.boxes}
    for crane, places in REACH.items():
        spots = [
            Spot(place, slot)
            for place in places
            if (place != "ferry" or yard.stop == QUAY[crane]) and (place != "siding" or yard.fixtures)
            for slot in range(SITE.places[place].slots)
        ]
        last = dict(yard.cranes).get(crane)
        for source in spots:
            for target in spots:
                box = taken.get(source)
                if box is not None and may_move(case, yard, box, source, target, taken):
                    lasts = times.transfer(crane, last, source, target)
                    boxes = tuple(sorted({**where, box: target}.items()))
                    stood = {**dict(yard.cranes), crane: target} if case.with_ways else {}
                    yield crane, lasts, 0, yard._replace(boxes=boxes, cranes=tuple(sorted(stood.items())))
    other = "quay-s" if yard.stop == "quay-n" else "quay-n"
    yield "ferry", times.RUN, 0, yard._replace(stop=other)
    visits = case.goal_state.visits
    if not yard.fixtures and yard.came < len(visits):
        visit = visits[yard.came]
        brought = {box: Spot("siding", slot) for slot, box in enumerate(visit.brings) if box}
        after = yard._replace(
            boxes=tuple(sorted({**where, **brought}.items())), came=yard.came + 1, fixtures=True
        )
        yield "siding", times.ADMIT, visit.not_before_ms, after
    if yard.fixtures:
        takes = {box: Spot("siding", slot) for slot, box in visits[yard.came - 1].takes.items()}
        on_it = {box for box, spot in yard.boxes if spot.place == "siding"}
        if all(where.get(box) == spot for box, spot in takes.items()) and not on_it & set(
            case.goal_state.boxes
        ):
            left = tuple(pair for pair in yard.boxes if pair[1].place != "siding")
            yield "siding", times.DEPART, 0, yard._replace(boxes=left, fixtures=False)


def may_move(case: Case, yard: Yard, box: str, source: Spot, target: Spot, taken: dict[Spot, str]) -> bool:
    """Nothing on top, something to stand on, and onto a train only what it takes, where it takes it."""
    two_tiers = ("stack-n", "stack-s")
    if target in taken or (source.place == target.place == "ferry"):
        return False
    if source.place in two_tiers and source.slot % 2 == 0 and Spot(source.place, source.slot + 1) in taken:
        return False
    if target.place in two_tiers and target.slot % 2 == 1:
        below = Spot(target.place, target.slot - 1)
        if below not in taken or below == source:
            return False
    if target.place == "siding":
        return case.goal_state.visits[yard.came - 1].takes.get(target.slot) == box
    return True
