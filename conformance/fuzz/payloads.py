"""Cases of one payload: valid at the edges of the schema, nearly valid, hostile, and on topics that nearly match."""

from __future__ import annotations

from random import Random
from typing import Any

from conformance.fuzz.hostile import all_hostile
from conformance.fuzz.mutations import pick
from conformance.fuzz.player import moving_acts
from conformance.fuzz.steps import Case, Step
from conformance.fuzz.values import beyond, body_at_edges
from protocol.codec.shape import Shape, shape_of
from protocol.specification import specification

ENCODINGS = ("json", "cbor")
SET_BY_PLAYER = ("act", "boot", "id", "deadline")
TOPICS = {
    "a topic with a slash behind": "{own}/",
    "a topic one level deeper": "{own}/x",
    "a topic with an empty level": "yw1//job-order",
    "the topic of a neighbour": "zz",
    "a topic in capitals": "YW1/x/y/JOB-ORDER",
    "the topic of all": "all",
}


class Payloads:
    """Draws cases of one payload; the acts come from the specification, so that a new one is drawn too."""

    def __init__(self, rng: Random, *, motion: bool) -> None:
        self._rng = rng
        self._acts = [act for act in specification().acts if motion or act not in moving_acts()]
        self._hostile = list(all_hostile())
        rng.shuffle(self._hostile)
        self._turn = 0

    def draw(self) -> Case:
        """One case."""
        roll = self._rng.random()
        if roll < 0.25:
            return (self.at_edges(),)
        if roll < 0.45:
            return (self.nearly_valid(),)
        if roll < 0.70:
            return (self.spoilt(),)
        if roll < 0.95:
            return (self.hostile(),)
        return (self.elsewhere(),)

    def at_edges(self) -> Step:
        """A valid order whose fields lie at edges; the id and the boot fit, so that it is looked at."""
        act, fields = self._edgy()
        boot = "other" if self._rng.random() < 0.1 else "now"
        return self._order(act, f"{act} at the edges of its fields", boot=boot, **fields)

    def nearly_valid(self) -> Step:
        """An order that breaks one rule of its schema."""
        act, fields = self._edgy()
        shape = shape_of("job-order", act)
        kind = self._rng.randrange(3)
        if kind == 0:
            name = self._rng.choice(sorted(shape.schema["required"]))
            broken, what = {name: None}, f"without {name!r}"
        elif kind == 1:
            broken, what = {"zz": 1}, "with a field that there is not"
        else:
            name = self._rng.choice(list(shape.fields))
            what, value = self._rng.choice(list(beyond(shape.fields[name])))
            broken, what = {name: value}, f"with {what} in {name!r}"
        return self._order(act, f"{act} {what}", broken=broken, **fields)

    def spoilt(self) -> Step:
        """A good order whose bytes were spoilt."""
        act, fields = self._edgy()
        name, number = pick(self._rng)
        return self._order(act, f"{act} {name}", mutation=[name, number], **fields)

    def hostile(self) -> Step:
        """The next of the hostile payloads: all have their turn before one comes again."""
        one = self._hostile[self._turn % len(self._hostile)]
        self._turn += 1
        return Step("bytes", f"{one.name} ({one.source})", {"hex": one.payload.hex()})

    def elsewhere(self) -> Step:
        """A harmless order on a topic that is not quite the node's."""
        says = self._rng.choice(list(TOPICS))
        return self._order("claim", f"a claim on {says}", topic=TOPICS[says])

    def _edgy(self) -> tuple[str, dict[str, Any]]:
        act = self._rng.choice(self._acts)
        shape: Shape = shape_of("job-order", act)
        body = body_at_edges(shape, self._rng)
        return act, {name: value for name, value in body.items() if name not in SET_BY_PLAYER}

    def _order(self, act: str, says: str, **fields: Any) -> Step:
        return Step("order", says, {"act": act, "encoding": self._rng.choice(ENCODINGS), **fields})
