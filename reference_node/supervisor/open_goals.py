"""Which goals are still open, part by part, by what was seen on the bus."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.supervisor import Supervisor


def open_goals(supervisor: Supervisor) -> tuple[str, ...]:
    """What is not so yet of all that was wanted, in the order in which it was wanted."""
    found: list[str] = []
    for number, goal in enumerate(supervisor.goals):
        begun = number == 0 and supervisor.was_owned
        found += list(_parts(goal, supervisor, begun=begun)) or [str(goal)]
    return tuple(found)


def _parts(goal: Goal, supervisor: Supervisor, *, begun: bool) -> Iterator[str]:
    if not isinstance(goal, GoalState):
        return
    inventory = supervisor.inventory
    for box, spot in goal.boxes.items():
        if not begun or inventory.at(spot) != box or inventory.under_way(box):
            yield f"box {box} to {spot.place} slot {spot.slot}"
    for visit in goal.visits:
        if not begun or _is_open(visit, supervisor, supervisor.goal_list.been(supervisor.goals, goal)):
            takes = ", ".join(f"{box} in slot {slot}" for slot, box in visit.takes.items())
            yield f"{visit}" + (f" with {takes}" if takes else "")
    for shuttle, stop in goal.shuttles.items():
        word = supervisor.look().word(shuttle, "shuttle-status") if begun else None
        if word is None or word.get("place") != stop:
            yield f"shuttle {shuttle} to {stop}"


def _is_open(visit: Visit, supervisor: Supervisor, trains: Mapping[str, Sequence[str]]) -> bool:
    """A visit is over once the train is gone again, or stands there as it was wanted. `trains` have been."""
    been = trains.get(visit.berth, ())
    if visit.train not in been:
        return True
    if visit.train != been[-1]:
        return False  # Another has come since.
    word, place = supervisor.look().word(visit.berth, "train-arrival"), supervisor.site.place_of(visit.berth)
    if word is None or place is None:
        return True
    if visit.departs:
        return bool(word["state"] != "empty")
    slots = supervisor.inventory.slots[place.name]
    return any(slots[slot] != box for slot, box in visit.takes.items())
