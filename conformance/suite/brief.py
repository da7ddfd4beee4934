"""What the supervisor under test is to bring about, and what the person who runs it has to tell it.

A case cannot command a supervisor, so it comes with a brief: a text for the person, who starts the supervisor
again, gives it its goal and tells it what stands where. The boxes are imagined; nothing really moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from conformance.files.json_file import read_json
from protocol.site import PlaceKind, Site
from protocol.trouble import Trouble

BOX, TRAIN = "C-205", "T-3"
Contents = Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class BoxRoute:
    """One box from a stack by way of a shuttle to a train, and the train goes."""

    box: str
    stack: str
    first: str
    """The crane between stack and deck."""
    deck: str
    shuttle: str
    second: str
    """The crane between deck and train."""
    track: str
    berth: str


@dataclass(frozen=True, slots=True)
class Brief:
    """What the person tells the supervisor as it starts, and how the person answers later."""

    route: BoxRoute
    contents: Contents
    """What stands where, place by place, told at the start; '' for nothing. Empty: nothing is told."""
    goal: bool = True
    """Whether it has a goal."""
    answers: bool = False
    """Whether its questions are answered: every track empty, every shuttle at its first stop."""
    again: bool = True
    """Whether what was told is said again where it is asked about before a transfer, once for each place."""
    holds: bool = False
    """Whether it is to hold every node."""

    @property
    def text(self) -> str:
        """For the person who runs it."""
        return "\n".join(line for line in (self._goal(), self._contents(), self._later()) if line)

    def document(self) -> dict[str, Any]:
        """For a program, as a JSON document."""
        route = self.route
        goal = {"train": TRAIN, "berth": route.berth, "box": route.box, "to": route.track, "slot": 0}
        return {
            "text": self.text,
            "goal": goal if self.goal else None,
            "contents": {place: list(row) for place, row in self.contents.items()},
            "answers": self.answers,
            "again": self.again,
            "holds": self.holds,
        }

    def _goal(self) -> str:
        route = self.route
        if self.holds:
            return "Give it no goal, and have it hold every node as soon as it owns them."
        if not self.goal:
            return "Give it no goal."
        return (
            f"Its goal: train {TRAIN}, which comes empty, in at {route.berth}; box {route.box} from "
            f"{route.stack} by way of {route.deck} to {route.track}, slot 0; then the train out."
        )

    def _contents(self) -> str:
        if not self.contents:
            return "Do not tell it what stands where."
        words = (f"{place}: {', '.join(box or '-' for box in row)}" for place, row in self.contents.items())
        told = f"slot 0 first: {'; '.join(words)}"
        if self.again:
            return f"Tell it what stands where, {told}."
        early = "Tell it what stands where as it starts, before it can have heard of any node, or not at all"
        return f"{early}; {told}."

    def _later(self) -> str:
        if self.answers:
            return "Answer its questions: every track is empty, every shuttle is at its first stop."
        if self.contents and self.again:
            return (
                "If it asks about one of these places before its first transfer, say the same, once for each place. "
                "Answer none of its other questions."
            )
        return "Answer none of its questions."


def route_of(site: Site) -> BoxRoute | None:
    """The first way from a stack by way of a deck to a track that the site has; None if it has none."""
    for stack, first, deck in _hops(site, PlaceKind.STACK, PlaceKind.DECK):
        for there, second, track in _hops(site, PlaceKind.DECK, PlaceKind.TRACK):
            if there == deck and first != second:
                places = site.places
                return BoxRoute(BOX, stack, first, deck, places[deck].node, second, track, places[track].node)
    return None


def _hops(site: Site, start: PlaceKind, end: PlaceKind) -> list[tuple[str, str, str]]:
    return [
        (here.name, crane, there.name)
        for here in site.places.values()
        for there in site.places.values()
        for crane in site.cranes_reaching(here.name)
        if here.kind == start and there.kind == end and crane in site.cranes_reaching(there.name)
    ]


def brief_for(site: Site, route: BoxRoute) -> Brief:
    """The usual brief: the box stands in slot 0 of its stack, all else is empty but for the tracks."""
    contents = {
        place.name: ("",) * place.slots for place in site.places.values() if place.kind != PlaceKind.TRACK
    }
    contents[route.stack] = (route.box, *contents[route.stack][1:])
    return Brief(route, contents)


def read_brief(path: Path, site: Site) -> Brief:
    """A brief that `document` gave, for the same site. Raises Trouble."""
    route = route_of(site)
    try:
        told = read_json(path, "brief", "Name a file that the conformance cases wrote")
        contents = {str(place): tuple(map(str, row)) for place, row in told["contents"].items()}
        again = told.get("again", True)
        goal, answers, holds = bool(told["goal"]), told["answers"], told["holds"]
        brief = Brief(route, contents, goal, answers, again, holds) if route else None
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise Trouble("not a brief of the conformance cases", where=str(path)) from error
    fits = all(
        place in site.places and len(row) == site.places[place].slots for place, row in contents.items()
    )
    if brief is None or not fits:
        raise Trouble("the brief is for another site", where=str(path), fix="Give both the same site file")
    return brief


def with_box_twice(brief: Brief, site: Site) -> Brief:
    """The same, but the person has seen the box in a second place too."""
    other = next(name for name in brief.contents if name != brief.route.stack)
    row = (brief.route.box,) + ("",) * (site.places[other].slots - 1)
    return replace(brief, contents={**brief.contents, other: row})
