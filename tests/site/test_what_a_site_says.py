"""What a site file says, as the code has it: every field, and what the schema says where a field is missing."""

from __future__ import annotations

import json
import tomllib
import zlib
from dataclasses import fields
from typing import Any

import pytest

from protocol.site import (
    Axis,
    BerthSite,
    CranePlace,
    CraneSite,
    Encoding,
    NodeSite,
    Place,
    PlaceKind,
    RunsSite,
    ShuttleSite,
    Site,
)
from protocol.site_file import digest_text, node_digest, parts_of, read_site, scenario, scenario_text
from protocol.specification import specification

GOOD = scenario_text()
DEFS: dict[str, Any] = specification().site_schema["$defs"]
LEAST = 'site = "a"\nprotocol = 1\n[nodes.yard]\nroles = ["supervisor"]\n'


@pytest.mark.parametrize(
    ("shape", "kind"),
    [
        ("node", NodeSite),
        ("place", Place),
        ("crane", CraneSite),
        ("berth", BerthSite),
        ("shuttle", ShuttleSite),
    ],
)
def test_a_field_that_is_missing_is_what_the_schema_says(shape: str, kind: type[Any]) -> None:
    said = {name: part["default"] for name, part in DEFS[shape]["properties"].items() if "default" in part}
    has = {one.name: one.default for one in fields(kind)}
    assert said
    assert {name: has[name] for name in said} == said


def test_the_least_site_has_nothing_else() -> None:
    site = read_site(LEAST.encode(), "x")
    digest = zlib.crc32(b'{"roles":["supervisor"]}')
    yard = NodeSite("yard", ("supervisor",), "both", Encoding.CBOR, 1, 512, "", 10, None, None, None, digest)
    assert site == Site("a", {"yard": yard}, {}, None)
    assert (yard.is_supervisor, yard.sensors("crane"), yard.sensors("supervisor")) == (True, (), ())


def test_every_field_is_taken_over() -> None:
    text = (
        LEAST
        + """
[runs]
cut = "jobs"
jobs = ["* park"]
[places.shelf]
kind = "stack"
columns = 2
tiers = 3
catches = 4
[places.rail]
kind = "track"
columns = 1
node = "trio"
[places.deck]
kind = "deck"
columns = 1
node = "trio"
[nodes.trio]
roles = ["berth", "shuttle", "crane"]
reads = "json"
writes = "json"
qos = 0
buffer = 1000
firmware = "7.1"
keep_alive_s = 3
[nodes.trio.crane]
load_sensor = false
travel = 5
job_timeout_ms = 1234
[[nodes.trio.crane.axes]]
name = "z"
unit = "step"
least = 1
most = 9
park = 5
speed = 6
acceleration = 7
home = 2
[nodes.trio.crane.places.deck]
slots = [[3]]
at = "b"
[nodes.trio.crane.places.rail]
slots = [[-10]]
table = [[1, 11], [2, 12]]
[nodes.trio.berth]
debounce_ms = 1
arming_timeout_ms = 2
end_timeout_ms = 3
clear_ms = 4
tolerance = 5
approach_power = 6
creep_power = 7
arming_to_end = 8
end_window = 9
[nodes.trio.shuttle]
stops = ["a", "b"]
debounce_ms = 1
run_timeout_ms = 2
load_sensor = true
"""
    )
    site = read_site(text.encode(), "x")
    part = tomllib.loads(text)["nodes"]["trio"]
    node = site.nodes["trio"]
    assert site.runs == RunsSite("jobs", ("* park",))
    assert site.places == {
        "shelf": Place("shelf", PlaceKind.STACK, 2, 3, "", 4),
        "rail": Place("rail", PlaceKind.TRACK, 1, 1, "trio", 0),
        "deck": Place("deck", PlaceKind.DECK, 1, 1, "trio", 0),
    }
    axis = Axis(name="z", unit="step", least=1, most=9, park=5, speed=6, acceleration=7, home=2)
    places = {
        "deck": CranePlace("deck", ((3,),), (), "b"),
        "rail": CranePlace("rail", ((-10,),), ((1, 11), (2, 12)), ""),
    }
    assert node == NodeSite(
        "trio", ("berth", "shuttle", "crane"), "json", Encoding.JSON, 0, 1000, "7.1", 3,
        CraneSite((axis,), places, load_sensor=False, travel=5, job_timeout_ms=1234),
        BerthSite(1, 2, 3, 4, 5, 6, 7, 8, 9), ShuttleSite(("a", "b"), 1, 2, load_sensor=True),
        zlib.crc32(json.dumps(part, sort_keys=True, separators=(",", ":")).encode()),
    )  # fmt: skip
    assert parts_of(text.encode())["trio"] == part
    assert read_site((LEAST + '[runs]\ncut = "supervisor"').encode(), "x").runs == RunsSite("supervisor", ())
    assert not node.is_supervisor
    assert node.sensors("crane") == ("home-x",)
    assert node.sensors("shuttle") == ("stop-1", "stop-2", "load")
    assert node.sensors("berth") == ("arming", "end")


def test_sensors_stand_in_the_order_of_their_bits() -> None:
    """MSG-14."""
    nodes = scenario().nodes
    assert nodes["north"].sensors("crane") == ("home-x", "home-y", "home-z", "load")
    assert nodes["ferry"].sensors("shuttle") == ("stop-1", "stop-2")
    assert nodes["siding"].sensors("berth") == ("arming", "end")
    for name, role in (("north", "crane"), ("ferry", "shuttle"), ("siding", "berth")):
        others = {"crane", "berth", "shuttle", "supervisor"} - {role}
        assert [nodes[name].sensors(other) for other in others] == [()] * 3


@pytest.mark.parametrize(
    ("columns", "tiers", "below", "above"),
    [
        (1, 1, [None], [None]),
        (3, 1, [None] * 3, [None] * 3),
        (1, 3, [None, 0, 1], [1, 2, None]),
        (2, 3, [None, 0, 1, None, 3, 4], [1, 2, None, 4, 5, None]),
    ],
)
def test_slots_are_counted_up_each_column(
    columns: int, tiers: int, below: list[int | None], above: list[int | None]
) -> None:
    place = Place("p", PlaceKind.STACK, columns, tiers)
    assert place.slots == columns * tiers
    assert [place.below(slot) for slot in range(place.slots)] == below
    assert [place.above(slot) for slot in range(place.slots)] == above


def site_of(*reads: tuple[str, str]) -> Site:
    return Site("a", {f"n{at}": NodeSite(f"n{at}", (role,), one) for at, (role, one) in enumerate(reads)}, {})


@pytest.mark.parametrize(
    ("reads", "all_"),
    [
        ((("crane", "both"), ("berth", "both")), ("json", "cbor")),
        ((("crane", "both"), ("berth", "json")), ("json",)),
        ((("crane", "cbor"), ("berth", "both")), ("cbor",)),
        ((("crane", "cbor"), ("berth", "json")), ()),
        ((("crane", "cbor"), ("supervisor", "json")), ("cbor",)),
        ((), ("json", "cbor")),
    ],
)
def test_all_read_what_each_node_reads(reads: tuple[tuple[str, str], ...], all_: tuple[str, ...]) -> None:
    """ENC-08; a supervisor takes no orders."""
    assert site_of(*reads).read_by_all() == tuple(Encoding(one) for one in all_)


def test_who_reaches_what_and_what_is_whose() -> None:
    site = scenario()
    reached = {place: site.cranes_reaching(place) for place in (*site.places, "nowhere")}
    assert reached == {
        "stack-n": ("north",), "stack-s": ("south",), "ferry": ("north", "south"), "siding": ("south",), "nowhere": (),
    }  # fmt: skip
    owned = {name: getattr(site.place_of(name), "name", None) for name in site.nodes}
    assert owned == {"north": None, "south": None, "siding": "siding", "ferry": "ferry", "yard": None}
    roles = ("crane", "berth", "shuttle", "supervisor", "none")
    assert [[node.name for node in site.with_role(role)] for role in roles] == [
        ["north", "south"], ["siding"], ["ferry"], ["yard"], [],
    ]  # fmt: skip


def test_a_digest_is_of_sorted_ascii() -> None:
    """MSG-12: CRC-32 (ISO 3309) of the part as JSON with sorted keys and no white space."""
    part = {"b": {"z": [1, True], "a": "ä"}, "a": -1}
    assert digest_text(part) == '{"a":-1,"b":{"a":"\\u00e4","z":[1,true]}}'
    assert node_digest(part) == zlib.crc32(digest_text(part).encode())
    for name, one in parts_of(GOOD.encode()).items():
        assert scenario().nodes[name].digest == node_digest(one)


def test_another_scenario_there_is_not() -> None:
    with pytest.raises(FileNotFoundError):
        scenario_text("nowhere")
    assert scenario_text("harlow-basin") == GOOD
