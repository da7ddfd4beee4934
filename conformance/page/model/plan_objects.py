"""What stands where on the plan now, in drawing units: cranes, boxes, trains and decks, with how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from conformance.page.model.latest import LatestMessage, LatestMessages
from conformance.page.model.plan_geometry import Panel, PlanGeometry, Point
from conformance.recordings.wording import in_words
from protocol.site import Place, PlaceKind

Entry = dict[str, Any]
Entries = Iterator[tuple[str, Entry]]

UNSURE = "?"
MOVING = {
    "admitting": "a train is coming in",
    "armed": "a train is coming in",
    "leaving": "a train is leaving",
}


class PlanObjects:
    """Draws the newest words on the ground. `fresh` tells whether a node is there and not silent."""

    def __init__(
        self,
        ground: PlanGeometry,
        words: LatestMessages,
        fresh: Callable[[str], bool],
        box_of: Callable[[str], str],
    ) -> None:
        self._ground = ground
        self._site = ground.site
        self._words = words
        self._fresh = fresh
        self._box_of = box_of

    def entries(self) -> Entries:
        """Every entry of the plan and of the list of places."""
        for panel in self._ground.panels:
            for reach in panel.reaches:
                yield f"crane/{reach.crane}", self._crane(reach.crane)
            for name in panel.places():
                yield from self._drawn(panel, self._site.places[name])
        for place in self._site.places.values():
            yield f"place/{place.name}", self._place(place)

    # ------------------------------------------------------------ cranes
    def _crane(self, name: str) -> Entry:
        word = self._words.of(name, "crane-status")
        if word is None or len(word.body["axes"]) != self._ground.axes(name):
            says = "not heard" if word is None else "speaks of other axes than the site file"
            return {"at": None, "to": None, "sure": False, "load": "unsure", "box": "", "says": says}
        body, axes = word.body, word.body["axes"]
        at = tuple(axis[0] for axis in axes)
        to = tuple(axis[1] for axis in axes)
        homed = all(axis[2] for axis in axes)
        return {
            "at": _flat(self._ground.point(name, at)),
            "to": _flat(self._ground.point(name, to)) if to != at else None,
            "sure": homed and self._sure(name, word),
            "load": body["load"],
            "box": self._box_of(name) if body["load"] == "box" else "",
            "says": self._aged(in_words("crane-status", body), name, word)
            + ("" if homed else ", axes not homed"),
        }

    # ------------------------------------------------------------ places
    def _drawn(self, panel: Panel, place: Place) -> Entries:
        spots = [spot for spot in panel.spots if spot.place == place.name]
        here, shift = self._stands(place, spots[0].crane)
        for spot in spots:
            entry = {"at": _flat(spot.at, shift), "here": here, **self._holds(place, spot.slot)}
            yield f"spot/{panel.number}/{place.name}/{spot.slot}", entry
        if place.kind is not PlaceKind.STACK:
            xs = [spot.at.x + shift for spot in spots]
            half = self._ground.length * 0.62
            body = {"here": here, "from": round(min(xs) - half, 1), "to": round(max(xs) + half, 1)}
            yield f"carrier/{panel.number}/{place.name}", body | {"says": self._carrier(place)}

    def _stands(self, place: Place, crane: str) -> tuple[bool, float]:
        """Whether a place's spots can be reached now in this panel, and how far from where they are drawn."""
        if place.kind is PlaceKind.DECK:
            word = self._words.of(place.node, "shuttle-status")
            crane_site = self._site.nodes[crane].crane
            at = crane_site.places[place.name].at if crane_site else ""
            fixtures = word is not None and word.body["state"] == "at-place" and word.body.get("place") == at
            return fixtures and self._fresh(place.node), 0.0
        if place.kind is PlaceKind.TRACK:
            return self._train_stands(place, crane)
        return True, 0.0

    def _train_stands(self, place: Place, crane: str) -> tuple[bool, float]:
        word = self._words.of(place.node, "train-arrival")
        if word is None or word.body["state"] != "at-rest" or "reading" not in word.body:
            return False, 0.0
        shift = self._ground.train_shift(crane, place.name, word.body["reading"])
        return shift is not None and self._fresh(place.node), shift or 0.0

    def _holds(self, place: Place, slot: int) -> Entry:
        word = self._words.map_of(place.name)
        slots = word.body["slots"] if word is not None else ()
        if word is None or slot >= len(slots):
            return {"is": "unheard", "box": "", "old": False}
        held = slots[slot]
        kind = {"": "empty", UNSURE: "unsure"}.get(held, "box")
        return {"is": kind, "box": held if kind == "box" else "", "old": word.kept}

    def _place(self, place: Place) -> Entry:
        word = self._words.map_of(place.name)
        body: Mapping[str, Any] = word.body if word is not None else {}
        return {
            "state": body.get("state", "not heard"),
            "why": body.get("why", ""),
            "old": word is not None and word.kept,
            "slots": [self._holds(place, slot) for slot in range(place.slots)],
            "says": self._carrier(place) if place.kind is not PlaceKind.STACK else "",
            **self._guest(place),
        }

    def _guest(self, place: Place) -> Entry:
        """For the picture of the yard: where a deck is, which train is there, and whether that is sure."""
        entry: Entry = {"at": "", "guest": "", "here": True}
        if place.kind is PlaceKind.STACK:
            return entry
        word = self._words.of(
            place.node, "shuttle-status" if place.kind is PlaceKind.DECK else "train-arrival"
        )
        if word is None:
            return entry | {"here": False}
        state, sure = word.body["state"], self._sure(place.node, word)
        if place.kind is PlaceKind.DECK:
            there = state == "at-place"
            return {"at": word.body.get("place", "") if there else "", "guest": state, "here": there and sure}
        return {"at": "", "guest": word.body.get("train", "") or state, "here": state == "at-rest" and sure}

    def _carrier(self, place: Place) -> str:
        """A train or a shuttle's deck in words."""
        if place.kind is PlaceKind.DECK:
            word = self._words.of(place.node, "shuttle-status")
            text = in_words("shuttle-status", word.body) if word is not None else ""
        else:
            word = self._words.of(place.node, "train-arrival")
            text = self._train(place, word.body) if word is not None else ""
        return self._aged(text, place.node, word) if word is not None else "not heard"

    def _train(self, place: Place, body: Mapping[str, Any]) -> str:
        state = body["state"]
        held = ", held" if body["held"] else ""
        if state == "at-rest":
            name = f"train {body['train']}" if "train" in body else "a train"
            return f"{name} at rest, reading {body.get('reading', 'not told')}{held}"
        if state == "lost":
            return "lost: nobody knows what stands on the track" + held
        return MOVING.get(state, "no train") + held

    # ------------------------------------------------------------ how sure
    def _sure(self, node: str, word: LatestMessage) -> bool:
        return not word.kept and self._fresh(node)

    def _aged(self, text: str, node: str, word: LatestMessage) -> str:
        if word.kept:
            return f"{text}, by an old message"
        return text if self._fresh(node) else f"{text}, when last heard"


def _flat(point: Point, shift: float = 0.0) -> list[float]:
    return [round(point.x + shift, 1), round(point.y, 1), round(point.z, 1)]
