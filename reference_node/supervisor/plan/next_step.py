"""The next step towards a goal: which node is to do what. A sequence planner, no search over time.

A box goes by the fewest cranes; where none reaches both ends it goes by way of a stack or a shuttle's deck,
and the shuttle runs to where the next crane can reach it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from protocol.site import PlaceKind, Site
from reference_node.supervisor.observe.boxes import Carriage, Spot
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.goals import Admit, Depart, Move, Run, Single

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Step:
    """One moving order to come."""

    node: str
    act: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    carriage: Carriage | None = None
    brings: tuple[str, ...] = ()
    """With admit: what stands on the train, if a person said it."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Why there is no step now."""

    why: str


def is_met(goal: Single, state: YardState) -> bool:
    """Whether `goal` is so, by what is known now."""
    match goal:
        case Move(box, place, slot):
            return state.boxes.at(Spot(place, slot)) == box and not state.boxes.under_way(box)
        case Admit(berth):
            return state.idle(berth) and _state(state, berth, "train-arrival") == "at-rest"
        case Depart(berth):
            return state.idle(berth) and _state(state, berth, "train-arrival") == "empty"
        case Run(shuttle, place):
            return state.idle(shuttle) and _stands_at(state, shuttle) == place


def next_step(goal: Single, state: YardState) -> Step | Wait:
    """The next order towards `goal`, which is not met, or what has to come first."""
    match goal:
        case Move():
            return _move(goal, state)
        case Admit(berth, train, brings):
            if _state(state, berth, "train-arrival") != "empty":
                return Wait(f"{berth} has to be empty")
            return Step(berth, "admit", {"train": train} if train else {}, brings=brings)
        case Depart(berth):
            if _state(state, berth, "train-arrival") != "at-rest":
                return Wait(f"the train at {berth} has to be at rest")
            return Step(berth, "depart")
        case Run(shuttle, place):
            return _run(state, shuttle, place)


def route(site: Site, start: str, end: str) -> tuple[tuple[str, str], ...]:
    """The way of a box from place `start` to place `end` as the fewest (crane, next place) pairs; () if none.

    No hop goes from track to track or from deck to deck [SUP-23].
    """
    came_from: dict[str, tuple[str, str]] = {start: ("", "")}
    queue = deque([start])
    while queue and end not in came_from:
        here = queue.popleft()
        for crane, there in _hops(site, here):
            if there not in came_from:
                came_from[there] = (here, crane)
                queue.append(there)
    if end not in came_from:
        return ()
    way: list[tuple[str, str]] = []
    place = end
    while place != start:
        before, crane = came_from[place]
        way.append((crane, place))
        place = before
    return tuple(reversed(way))


def _hops(site: Site, here: str) -> list[tuple[str, str]]:
    kind = site.places[here].kind
    return [
        (crane, there)
        for crane in site.cranes_reaching(here)
        for there, place in site.places.items()
        if there != here
        and crane in site.cranes_reaching(there)
        and not (kind == place.kind and kind in (PlaceKind.TRACK, PlaceKind.DECK))
    ]


def _move(goal: Move, state: YardState) -> Step | Wait:
    boxes, target = state.boxes, Spot(goal.place, goal.slot)
    if boxes.under_way(goal.box):
        return Wait(f"box {goal.box} is under way")
    source, holder = boxes.find(goal.box), boxes.held_by(goal.box)
    if holder is not None:
        return _put_down(goal, holder, state)
    if source is None:
        return Wait(f"nobody knows where box {goal.box} is")
    if not boxes.can_pick(source):
        return Wait(f"box {goal.box} at {source.place} slot {source.slot} has another on top, or one unsure")
    if source.place == target.place:
        crane = next(iter(state.site.cranes_reaching(source.place)), None)
        way: tuple[tuple[str, str], ...] = ((crane, target.place),) if crane else ()
    else:
        way = route(state.site, source.place, target.place)
    if not way:
        return Wait(f"no crane brings a box from {source.place} to {target.place}")
    crane, place = way[0]
    return _transfer(goal, crane, source, target if place == target.place else boxes.free_slot(place), state)


def _put_down(goal: Move, crane: str, state: YardState) -> Step | Wait:
    """The box hangs in the spreader of `crane`: put it where it has to go, or on the way there."""
    places = [place for place in state.site.places if crane in state.site.cranes_reaching(place)]
    if goal.place in places:
        return _transfer(goal, crane, None, Spot(goal.place, goal.slot), state)
    onward = [(len(route(state.site, place, goal.place)), place) for place in places]
    spots = [state.boxes.free_slot(place) for length, place in sorted(onward) if length]
    return _transfer(goal, crane, None, next((spot for spot in spots if spot is not None), None), state)


def carry(box: str, crane: str, source: Spot | None, target: Spot, state: YardState) -> Step | Wait:
    """The order by which `crane` brings `box` from `source`, None for its spreader, to `target`.

    A run of the shuttle where that has to come first.
    """
    return _transfer(Move(box, target.place, target.slot), crane, source, target, state)


def _transfer(
    goal: Move, crane: str, source: Spot | None, target: Spot | None, state: YardState
) -> Step | Wait:
    if target is None:
        return Wait(f"no free slot on the way of box {goal.box}")
    why = state.boxes.why_not_put(target)
    if why:
        return Wait(why)
    fields: dict[str, Any] = {"to": target.place, "to_slot": target.slot, "box": goal.box}
    if source is not None:
        fields |= {"from": source.place, "from_slot": source.slot}
    for spot in (source, target):
        if spot is not None:
            found = _reach(crane, spot.place, state)
            if not isinstance(found, dict):
                return found
            fields |= found
    return Step(crane, "transfer", fields, Carriage(goal.box, source, target))


def _reach(crane: str, place: str, state: YardState) -> dict[str, Any] | Step | Wait:
    """What an order has to name so that `crane` finds `place`; a step or a wait if that cannot be now."""
    owner, kind = state.site.places[place].node, state.site.places[place].kind
    if kind == PlaceKind.TRACK:
        return train_fields(state, owner) or Wait(f"the train at {owner} has to be at rest")
    if kind == PlaceKind.DECK:
        crane_site = state.site.nodes[crane].crane
        stop = crane_site.places[place].at if crane_site else ""
        if _stands_at(state, owner) != stop:
            return _run(state, owner, stop)
        word = state.word(owner, "shuttle-status") or {}
        return {"stop": word["stop"], "shuttle_boot": word["boot"]}
    return {}


def train_fields(state: YardState, berth: str) -> dict[str, Any]:
    """Reading, arrival and boot of the train at rest at `berth`; {} unless the newest word is so [SUP-13]."""
    word = state.word(berth, "train-arrival")
    if word is None or word["state"] != "at-rest":
        return {}
    return {"reading": word["reading"], "arrival": word["arrival"], "berth_boot": word["boot"]}


def _run(state: YardState, shuttle: str, place: str) -> Step | Wait:
    if _state(state, shuttle, "shuttle-status") != "at-place":
        return Wait(f"{shuttle} has to stand at a place")
    return Step(shuttle, "run", {"to": place})


def _state(state: YardState, node: str, message: str) -> str:
    word = state.word(node, message)
    return str(word["state"]) if word else ""


def _stands_at(state: YardState, shuttle: str) -> str:
    word = state.word(shuttle, "shuttle-status")
    return str(word.get("place", "")) if word else ""
