"""What stands in the way where no plan was found, as far as it can be named."""

from __future__ import annotations

from collections.abc import Iterator

from protocol.site import PlaceKind
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.search.problem import IN_SPREADER, Problem


def why_no_plan(problem: Problem, *, exhausted: bool) -> str:
    """In words; `exhausted` says that there is none, else none was found in the time that it may take."""
    named = "; ".join(dict.fromkeys(_hindrances(problem)))
    none = "there is no order of jobs that meets all that is wished"
    return named or (none if exhausted else none.replace("there is no", "nobody has found an"))


def _hindrances(problem: Problem) -> Iterator[str]:
    holds = {spot: box for box, spot in problem.boxes.items()}
    for box, target in problem.goal_state.boxes.items():
        if problem.boxes.get(box) == target:
            continue
        place = problem.site.places[target.place]
        for slot in _column(problem, target):
            spot = Spot(target.place, slot)
            other = holds.get(spot)
            if spot in problem.unsure:
                yield f"nobody knows what stands in slot {slot} of {target.place}"
            elif other is not None and other != box and slot >= target.slot and not _has_room(problem, spot):
                yield f"slot {slot} of {target.place} is occupied by {other}, which has nowhere to go"
        below = place.below(target.slot)
        if below is not None and holds.get(Spot(target.place, below)) in (None, box):
            yield f"slot {target.slot} of {target.place} is in mid-air: nothing else stands in slot {below} below it"
        if place.kind is PlaceKind.TRACK and place.node not in problem.at_rest:
            yield f"no train stands on {target.place}"


def _column(problem: Problem, spot: Spot) -> range:
    """Slots of the column in which `spot` is, from the ground up."""
    tiers = problem.site.places[spot.place].tiers
    first = spot.slot - spot.slot % tiers
    return range(first, first + tiers)


def _has_room(problem: Problem, here: Spot) -> bool:
    """Whether a box could stand anywhere in reach of the cranes that reach it, its own column left out."""
    site, taken = problem.site, {*problem.boxes.values(), *problem.unsure}
    reach = set(site.cranes_reaching(here.place))
    for place in site.places.values():
        if place.kind is PlaceKind.TRACK or not reach & set(site.cranes_reaching(place.name)):
            continue
        for slot in range(place.slots):
            spot, below = Spot(place.name, slot), place.below(slot)
            column = spot.place == here.place and slot in _column(problem, here)
            stands = below is None or Spot(place.name, below) in problem.boxes.values()
            if not column and spot not in taken and stands and not here.place.startswith(IN_SPREADER):
                return True
    return False
