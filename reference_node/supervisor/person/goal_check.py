"""Goals of a person: what does not exist or can never be is refused; what is only blocked is taken, and says why."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from protocol.site import PlaceKind
from protocol.specification import specification
from reference_node.supervisor.observe.boxes import EMPTY, UNSURE, Spot
from reference_node.supervisor.person.request import Prepared, Ready
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.goals import Goal, are_independent
from reference_node.supervisor.plan.next_step import route
from reference_node.supervisor.plan.problem_builder import ProblemBuilder
from reference_node.supervisor.supervisor import Supervisor


class GoalCheck:
    """Checks goals against one supervisor as it stands now, and what the goals before them will have changed."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor, self._site, self._state = supervisor, supervisor.site, supervisor.look()
        self._where = dict(self._boxes_now())
        """Where each box is, once the goals before are met: a spot, or the spreader in which it hangs."""
        self._gone: dict[str, int] = {}
        """Boxes that will have left, and the goal that takes them along."""
        for goal in supervisor.goals:
            self._after(goal)

    # ------------------------------------------------------------ what may be wished
    def box(self, box: str, place: str, slot: int) -> Prepared:
        """A box is to stand in a slot."""
        why = (
            self._no_slot(place, slot) or self._no_box(box, place) or self._no_footing(box, Spot(place, slot))
        )
        return why or self._ready(GoalState({box: Spot(place, slot)}))

    def train(self, berth: str, train: str, takes: Sequence[tuple[int, str]]) -> Prepared:
        """A train is to come, be loaded and leave again. `takes`: slots and boxes."""
        berths = [node.name for node in self._site.with_role("berth")]
        if berth not in berths:
            return f"there is no berth {berth!r}; berths are: {', '.join(berths) or 'none'}"
        why = not_a_label(train, "train")
        track = self._site.place_of(berth)
        slots = [slot for slot, _ in takes]
        if why or track is None:
            return why or f"{berth} has no track"
        twice = next((slot for slot in slots if slots.count(slot) > 1), None)
        if twice is not None:
            both = " and ".join(box for slot, box in takes if slot == twice)
            return f"slot {twice} of {track.name} is given to {both}"
        for slot, box in takes:
            why = self._no_slot(track.name, slot) or self._no_box(box, track.name)
            if why:
                return why
        try:
            return self._ready(GoalState(visits=(Visit(train, berth, (), dict(takes)),)))
        except ValueError as error:
            return str(error)

    def drop(self, number: int) -> Prepared:
        """A goal is given up."""
        goal = self._supervisor.goal_list.find(self._supervisor.goals, number)
        if goal is None:
            return self._no_goal(number)
        will = f"goal {number} is dropped: {goal}. Jobs under way come to their end; what was moved stays where it is"
        return Ready(will, lambda: self._take_off(goal))

    def reorder(self, number: int, position: int) -> Prepared:
        """A goal is to come at another position of the list, counted from 1."""
        goals = self._supervisor.goals
        goal = self._supervisor.goal_list.find(goals, number)
        if goal is None:
            return self._no_goal(number)
        if not 1 <= position <= len(goals):
            return f"positions are 1 to {len(goals)}, not {position}"

        def reorder() -> None:
            rest = [one for one in goals if one is not goal]
            goals[:] = [*rest[: position - 1], goal, *rest[position - 1 :]]
            self._supervisor.note(f"goal {number} is now at position {position}")

        return Ready(f"goal {number} comes at position {position}: {goal}", reorder)

    def _take_off(self, goal: Goal) -> None:
        goals = self._supervisor.goals
        number = self._supervisor.goal_list.number_of(goals, goal)
        goals[:] = [one for one in goals if one is not goal]
        self._supervisor.note(f"goal {number} dropped: {goal}")

    def _no_goal(self, number: int) -> str:
        listed = ", ".join(
            str(one.number) for one in self._supervisor.goal_list.listed(self._supervisor.goals)
        )
        return f"there is no goal {number}; goals are: {listed or 'none'}"

    # ------------------------------------------------------------ what cannot be
    def _no_slot(self, place: str, slot: int) -> str:
        site = self._site
        if place not in site.places:
            return f"there is no place {place!r}; places are: {', '.join(site.places)}"
        if not 0 <= slot < site.places[place].slots:
            return f"{place} has slots 0 to {site.places[place].slots - 1}, not {slot}"
        return (
            "" if site.cranes_reaching(place) else f"no crane reaches {place}: nothing can be set down there"
        )

    def _no_box(self, box: str, place: str) -> str:
        """Why that box cannot be brought to `place`: no label, not there, gone by then, out of every crane's reach."""
        why = not_a_label(box, "box")
        if why:
            return why
        if box in self._gone:
            number = self._gone[box]
            return f"box {box} leaves with the train of goal {number}; drop that goal first, or want it there before"
        here = self._where.get(box)
        if here is None:
            return "" if self._is_unsure() else f"there is no box {box}: {self._known()}"
        crane = here if isinstance(here, str) else ""
        if crane and self._state.nodes[crane].says("mode") not in ("ready", "working"):
            return f"box {box} hangs in the spreader of {crane}, and nobody knows where that is: home {crane} first"
        starts = [here.place] if isinstance(here, Spot) else self._reach(crane)
        if any(start == place or route(self._site, start, place) for start in starts):
            return ""
        return f"no crane brings a box from {' or '.join(starts)} to {place}"

    def _no_footing(self, box: str, spot: Spot) -> str:
        """Nothing is wished for in mid-air, nor for a track on which no train stands."""
        place = self._site.places[spot.place]
        if place.kind is PlaceKind.TRACK and self._state.nodes[place.node].says("state") == "empty":
            return f"no train stands on {spot.place}; say it with the train: train {place.node} NAME {box}={spot.slot}"
        below = place.below(spot.slot)
        if below is None or self._state.boxes.at(Spot(spot.place, below)) == UNSURE:
            return ""
        stands = {where: one for one, where in self._where.items()}.get(Spot(spot.place, below))
        if stands not in (None, box):
            return ""
        what = "nothing" if stands is None else f"only {box} itself"
        return (
            f"slot {spot.slot} of {spot.place} would be in mid-air: {what} stands in slot {below} below it; "
            "want a box there first"
        )

    def _is_unsure(self) -> bool:
        """Whether a box that nobody has heard of may stand somewhere all the same."""
        boxes = self._state.boxes
        unknown = any(
            isinstance(goal, GoalState) and any(not visit.brings for visit in goal.visits)
            for goal in self._supervisor.goals
        )
        return unknown or UNSURE in boxes.spreaders.values() or not all(map(boxes.is_sure, boxes.slots))

    def _known(self) -> str:
        known = ", ".join(sorted(self._where))
        return f"known are {known or 'none'}; if it stands somewhere, tell that first (tell PLACE SLOT BOX)"

    def _reach(self, crane: str) -> list[str]:
        return [place for place in self._site.places if crane in self._site.cranes_reaching(place)]

    # ------------------------------------------------------------ how things will stand
    def _boxes_now(self) -> Mapping[str, Spot | str]:
        boxes, sure = self._state.boxes, (EMPTY, UNSURE)
        stand = {
            box: Spot(place, slot)
            for place, slots in boxes.slots.items()
            for slot, box in enumerate(slots)
            if box not in sure
        }
        hang = {box: crane for crane, box in boxes.spreaders.items() if box not in sure}
        return {**stand, **hang}

    def _after(self, goal: Goal) -> None:
        if not isinstance(goal, GoalState):
            return
        number = self._supervisor.goal_list.number_of(self._supervisor.goals, goal)
        for visit in goal.visits:
            track = self._site.place_of(visit.berth)
            for slot, box in enumerate(visit.brings):
                if track is not None and box not in (EMPTY, UNSURE):
                    self._where[box] = Spot(track.name, slot)
        self._where |= goal.boxes
        for box in (box for visit in goal.visits if visit.departs for box in visit.takes.values()):
            self._where.pop(box, None)
            self._gone[box] = number

    # ------------------------------------------------------------ what it means
    def _ready(self, goal_state: GoalState) -> Prepared:
        ahead = len(self._supervisor.goals)
        after = f", after {ahead} other goal{'s' if ahead > 1 else ''}" if ahead else ""

        def want() -> None:
            self._supervisor.add(goal_state)

        return Ready(f"planned for: {goal_state}{after}", want, self._blocked(goal_state))

    def _blocked(self, goal_state: GoalState) -> str:
        supervisor = self._supervisor
        listed = supervisor.goal_list.listed(supervisor.goals)
        for goal, entry in zip(supervisor.goals, listed, strict=True):
            if entry.blocked and not are_independent(goal, goal_state):
                return f"comes after goal {entry.number}, which is blocked: {entry.blocked}"
        return ProblemBuilder(self._site, {}).possible(self._state, goal_state, ())[1]


def not_a_label(text: str, what: str) -> str:
    """Why `text` is no label of a box or train, by the protocol's schema; '' where it is one."""
    form = specification().common["$defs"][what]
    longest = int(form["maxLength"])
    if len(text) <= longest and re.fullmatch("[A-Za-z0-9-]+", text):
        return ""
    return f"{text!r} is no {what}'s label: 1 to {longest} characters A-Z a-z 0-9 '-'"
