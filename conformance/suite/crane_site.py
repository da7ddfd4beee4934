"""What a crane's cases read from the site file, and what they look at in its status."""

from __future__ import annotations

from typing import Any

from conformance.suite.exchange import Answer
from conformance.suite.fields import Fields
from conformance.suite.fixture import Fixture
from protocol.site import CranePlace, CraneSite, NodeSite, PlaceKind, Site

CRANE = ("crane",)
BOX = "probe-box"


def tracks(site: Site, node: NodeSite) -> list[CranePlace]:
    """The tracks that a crane reaches."""
    return _of_kind(PlaceKind.TRACK, site, node)


def decks(site: Site, node: NodeSite) -> list[CranePlace]:
    """The decks of shuttles that a crane reaches."""
    return _of_kind(PlaceKind.DECK, site, node)


def stacks(site: Site, node: NodeSite) -> list[CranePlace]:
    """The stacks that a crane reaches."""
    return _of_kind(PlaceKind.STACK, site, node)


def _of_kind(kind: PlaceKind, site: Site, node: NodeSite) -> list[CranePlace]:
    places = node.crane.places.values() if node.crane else ()
    return [place for place in places if site.places[place.place].kind is kind]


def has_track(site: Site, node: NodeSite) -> str:
    """Why a case at a track does not apply; '' where it does."""
    return "" if tracks(site, node) else "the site file gives this crane no track"


def has_deck(site: Site, node: NodeSite) -> str:
    """Why a case at a deck does not apply; '' where it does."""
    return "" if decks(site, node) else "the site file gives this crane no deck of a shuttle"


def has_two_slots(site: Site, node: NodeSite) -> str:
    """Why a case between two slots does not apply; '' where it does."""
    slots = [slot for place in stacks(site, node) for slot in place.slots]
    return "" if len(slots) > 1 else "the site file gives this crane no stack of two slots"


def has_no_load_sensor(_site: Site, node: NodeSite) -> str:
    """Why a case without load sensor does not apply; '' where it does."""
    return "the crane has a load sensor" if node.crane and node.crane.load_sensor else ""


def has_load_sensor(_site: Site, node: NodeSite) -> str:
    """Why a case with a load sensor does not apply; '' where it does."""
    return "" if node.crane and node.crane.load_sensor else "the crane has no load sensor"


def crane_of(fixture: Fixture) -> CraneSite:
    """What the site file says of the crane under test."""
    assert fixture.node.crane is not None
    return fixture.node.crane


def crane_status(answer: Answer) -> Fields:
    """The crane-status of an answer."""
    return answer.body("crane-status")


def arrived(fixture: Fixture, answer: Answer) -> None:
    """Demand that every axis stands at its target."""
    axes = crane_status(answer)["axes"]
    fixture.check(all(a[0] == a[1] for a in axes), "CRN-11", "position and target equal", axes, answer.report)


def other_place(fixture: Fixture, place: str) -> str:
    """A place to carry to: a stack if there is one, else a deck."""
    known = stacks(fixture.site, fixture.node) + decks(fixture.site, fixture.node)
    return next((one.place for one in known), place)


def within_a_stack(fixture: Fixture) -> dict[str, Any]:
    """The fields of a transfer of the probe box from the first slot of the first stack to the second."""
    stack = stacks(fixture.site, fixture.node)[0].place
    return {"from_": stack, "from_slot": 0, "to": stack, "to_slot": 1, "box": BOX}


def stop_at(fixture: Fixture, place: str) -> dict[str, Any]:
    """What a transfer at a deck has to name."""
    on_deck = place in [one.place for one in decks(fixture.site, fixture.node)]
    return {"stop": 3, "shuttle_boot": 4711} if on_deck else {}
