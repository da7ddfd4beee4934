"""What may be ordered from the page: one form an act, from its schema and the site, and the check of what comes in."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from protocol.site import NodeSite, Site
from protocol.specification import specification

DESKS_OWN = frozenset(
    {
        "act", "boot", "id", "deadline", "ref", "reading", "arrival", "berth_boot", "stop", "shuttle_boot", "faults",
        "holds",
    }
)  # fmt: skip
"""Fields that no person fills in: they name what the desk has seen."""
NOT_OFFERED = frozenset({"ask", "claim", "hold", "resume", "stimulus", "set-uptime"})
"""The desk's own business, a tester's, or with buttons of their own."""
LABEL = "[A-Za-z0-9-]*"
CAUTIONS = {
    "transfer": "Hands clear: the crane moves as soon as it takes the order.",
    "home": "Hands clear: every axis drives to its home switch.",
    "park": "Hands clear: the crane moves as soon as it takes the order.",
    "jog": "Hands clear: the axes drive straight to the target, whatever stands in between.",
    "admit": "Hands off the track: a train comes in.",
    "depart": "Hands off the track: the train leaves, and what stands on it with it.",
    "run": "Hands clear: the shuttle starts as soon as it takes the order.",
    "cancel": "Ends the open job only if nothing was picked or moved yet. It does not stop a machine.",
    "reset-fault": "Say that it is fixed only after you have looked. It restarts nothing by itself.",
}


class InvalidRequest(ValueError):
    """What was sent is no order that the page offers; the text says why."""


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a person fills in. With choices one of them, with `least` and `most` a whole number, else a label."""

    name: str
    label: str
    choices: tuple[str, ...] = ()
    least: int | None = None
    most: int | None = None
    longest: int = 12
    needed: bool = True

    def read(self, given: object) -> str | int | None:
        """The value in the protocol's type, None where nothing was given. Raises InvalidRequest."""
        is_number = self.least is not None
        if isinstance(given, bool) or not isinstance(given, str | int | None if is_number else str | None):
            raise InvalidRequest(
                f"{self.label} is {'a whole number' if is_number else 'a word'}, not {given!r}"
            )
        text = "" if given is None else str(given).strip()
        if not text:
            if self.needed:
                raise InvalidRequest(f"{self.label} is missing")
            return None
        if self.choices and text not in self.choices:
            raise InvalidRequest(f"{self.label} is one of {', '.join(self.choices)}, not {text!r}")
        if self.least is None or self.most is None:
            if not re.fullmatch(LABEL, text) or len(text) > self.longest:
                raise InvalidRequest(
                    f"{self.label} has at most {self.longest} characters A-Z a-z 0-9 '-', unlike {text!r}"
                )
            return text
        if not re.fullmatch("-?[0-9]{1,6}", text) or not self.least <= int(text) <= self.most:
            raise InvalidRequest(
                f"{self.label} is a whole number from {self.least} to {self.most}, not {text!r}"
            )
        return int(text)


@dataclass(frozen=True, slots=True)
class Offer:
    """One order that one node takes."""

    node: str
    act: str
    words: str
    caution: str
    fields: tuple[Field, ...] = ()

    def read(self, given: Mapping[str, object]) -> dict[str, Any]:
        """The fields for the desk. Raises InvalidRequest."""
        unknown = set(given) - {field.name for field in self.fields}
        if unknown:
            raise InvalidRequest(f"{self.act} has no {', '.join(sorted(unknown))}")
        values = {field.name: field.read(given.get(field.name)) for field in self.fields}
        if self.act == "transfer" and (values["from"] is None) != (values["from_slot"] is None):
            raise InvalidRequest("give both a place and a slot to take the box from, or neither")
        if self.act == "jog":
            return {"target": [values[field.name] for field in self.fields]}
        return {name: value for name, value in values.items() if value is not None}


def offers(site: Site) -> tuple[Offer, ...]:
    """All that a person may order on this site."""
    return tuple(offer for node in site.nodes.values() for offer in _of_node(site, node))


def _of_node(site: Site, node: NodeSite) -> Iterator[Offer]:
    spec = specification()
    takes = frozenset().union(*(spec.acts_of(role) for role in node.roles))
    meanings = spec.common["$defs"]["act"]["meanings"]
    for act in sorted(spec.words("act"), key=lambda act: act not in spec.jobs):
        if act in takes and act not in NOT_OFFERED:
            yield Offer(node.name, act, meanings[act], CAUTIONS[act], tuple(_fields(site, node, act)))


def _fields(site: Site, node: NodeSite, act: str) -> Iterator[Field]:
    schema = specification().acts[act]
    for name in schema["properties"]:
        if name not in DESKS_OWN:
            yield from _field(site, node, act, name, needed=name in schema["required"])


def _field(site: Site, node: NodeSite, act: str, name: str, *, needed: bool) -> Iterator[Field]:
    match act, name:
        case "transfer", "from" | "from_slot" | "to" | "to_slot":
            yield _end_of_transfer(site, node, name, needed=needed)
        case "run", "to":
            yield Field("to", "to", _stops(node))
        case "jog", "target":
            for axis in node.crane.axes if node.crane is not None else ():
                yield Field(axis.name, f"{axis.name} in {axis.unit}", least=axis.least, most=axis.most)
        case "reset-fault", "place" | "found":
            yield from _found(node, name)
        case _, "box":
            yield Field("box", "box", needed=needed)
        case "admit", "train":
            yield Field("train", "train, if known", longest=8, needed=needed)
        case _:
            raise KeyError(f"{act}.{name}: the page has no field for it")


def _end_of_transfer(site: Site, node: NodeSite, name: str, *, needed: bool) -> Field:
    reached = tuple(node.crane.places) if node.crane is not None else ()
    if name in ("from", "to"):
        label = {"from": "from place (none: from the spreader)", "to": "to place"}[name]
        return Field(name, label, reached, needed=needed)
    most = max((site.places[place].slots for place in reached), default=1) - 1
    return Field(name, name.replace("_", " "), least=0, most=most, needed=needed)


def _found(node: NodeSite, name: str) -> Iterator[Field]:
    """What a person found, where the node's machine has such a thing."""
    if name == "place" and node.shuttle is not None:
        yield Field("place", "where it stands", _stops(node), needed=False)
    elif name == "found" and (node.crane is not None or node.berth is not None):
        yield Field("found", "what you found", ("none", "box"), needed=False)


def _stops(node: NodeSite) -> tuple[str, ...]:
    return node.shuttle.stops if node.shuttle is not None else ()
