"""What a browser may ask of the list of goals, checked for its form; whether it can be is the desk's affair."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from conformance.page.server.desk import Call
from conformance.page.server.order_forms import Field, InvalidRequest
from protocol.site import Site

BOX = Field("box", "box")
TRAIN = Field("train", "train", longest=8)
MOST_GOALS = 1_000_000


def goal_calls(site: Site) -> Mapping[str, Callable[[Mapping[str, Any]], Call]]:
    """By the word in 'do': from what was sent to the call of the desk. They raise InvalidRequest."""
    places = tuple(site.places)
    berths = tuple(node.name for node in site.with_role("berth"))
    most = max((place.slots for place in site.places.values()), default=1) - 1
    place, berth = Field("place", "place", places), Field("berth", "berth", berths)
    slot = Field("slot", "slot", least=0, most=most)
    number = Field("number", "goal", least=1, most=MOST_GOALS)
    position = Field("position", "position", least=0, most=MOST_GOALS)

    def want(asked: Mapping[str, Any]) -> Call:
        return Call("want", tuple(one.read(asked.get(one.name)) for one in (BOX, place, slot)))

    def train(asked: Mapping[str, Any]) -> Call:
        takes = asked.get("takes", [])
        if not isinstance(takes, list) or len(takes) > most + 1:
            raise InvalidRequest("'takes' is a list of slots and boxes")
        pairs = []
        for one in takes:
            if not isinstance(one, list) or len(one) != 2:
                raise InvalidRequest("each of 'takes' is a slot and a box")
            pairs.append((slot.read(one[0]), BOX.read(one[1])))
        return Call("want_train", (berth.read(asked.get("berth")), TRAIN.read(asked.get("train")), pairs))

    def drop(asked: Mapping[str, Any]) -> Call:
        return Call("drop", (number.read(asked.get("number")),))

    def reorder(asked: Mapping[str, Any]) -> Call:
        return Call("reorder", tuple(one.read(asked.get(one.name)) for one in (number, position)))

    return {"want": want, "train": train, "drop": drop, "reorder": reorder}
