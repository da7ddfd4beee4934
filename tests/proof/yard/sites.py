"""The smallest sites in which everything can happen: as few axes, slots and stops as a site can have."""

from __future__ import annotations

from collections.abc import Mapping

from protocol.site import (
    Axis,
    BerthSite,
    CranePlace,
    CraneSite,
    NodeSite,
    Place,
    PlaceKind,
    ShuttleSite,
    Site,
)

X = Axis("x", "mm", 0, 500, 10, 100, 100, 0)
Z = Axis("z", "mm", 0, 100, 0, 100, 100, 0)
BOTTOM = 90
CHIEF, DEPUTY = "chief", "deputy"


def supervisors() -> dict[str, NodeSite]:
    return {name: NodeSite(name, ("supervisor",), digest=1) for name in (CHIEF, DEPUTY)}


def crane(name: str, places: Mapping[str, CranePlace], *, load_sensor: bool, qos: int = 1) -> NodeSite:
    site = CraneSite((X, Z), places, load_sensor, travel=0)
    return NodeSite(name, ("crane",), qos=qos, crane=site, digest=7)


def one_crane(*, load_sensor: bool = True, qos: int = 1) -> Site:
    """One crane and two places of one slot each."""
    places = {"left": CranePlace("left", ((100, BOTTOM),)), "right": CranePlace("right", ((300, BOTTOM),))}
    nodes = {"crane": crane("crane", places, load_sensor=load_sensor, qos=qos), **supervisors()}
    return Site("tiny", nodes, {name: Place(name, PlaceKind.STACK, 1) for name in places})


def two_cranes_and_a_shuttle() -> Site:
    """A box goes from the place of one crane over the deck of a shuttle to the place of the other."""
    west = {
        "quay": CranePlace("quay", ((100, BOTTOM),)),
        "deck": CranePlace("deck", ((300, BOTTOM),), at="here"),
    }
    east = {
        "yard": CranePlace("yard", ((300, BOTTOM),)),
        "deck": CranePlace("deck", ((100, BOTTOM),), at="there"),
    }
    ferry = NodeSite("ferry", ("shuttle",), shuttle=ShuttleSite(("here", "there"), 3, 20_000), digest=7)
    nodes = {
        "west": crane("west", west, load_sensor=True),
        "ferry": ferry,
        "east": crane("east", east, load_sensor=True),
        **supervisors(),
    }
    places = {
        "quay": Place("quay", PlaceKind.STACK, 1),
        "deck": Place("deck", PlaceKind.DECK, 1, node="ferry"),
        "yard": Place("yard", PlaceKind.STACK, 1),
    }
    return Site("tiny", nodes, places)


def crane_and_berth(*, qos: int = 1) -> Site:
    """A train comes to rest beside a crane that puts a box on it; `qos` is that of the berth."""
    table = ((0, 200), (1_000, 300))
    places = {
        "yard": CranePlace("yard", ((100, BOTTOM),)),
        "track": CranePlace("track", ((0, BOTTOM),), table=table),
    }
    berth = BerthSite(3, 20_000, 10_000, 3_000, 3, 50, 25, arming_to_end=1_600, end_window=140)
    nodes = {
        "crane": crane("crane", places, load_sensor=True),
        "siding": NodeSite("siding", ("berth",), qos=qos, berth=berth, digest=7),
        **supervisors(),
    }
    track = Place("track", PlaceKind.TRACK, 1, node="siding")
    return Site("tiny", nodes, {"yard": Place("yard", PlaceKind.STACK, 1), "track": track})
