"""What a person finds on the page beside the plan: advice, lamps, bytes and meaning, one picture of the yard."""

from __future__ import annotations

import errno
import json
from typing import Any

import pytest

from conformance.page.model.advice import OF_FAULTS, OF_STATES, link_in_words
from conformance.page.model.troubles import HEALTH, TELLING
from conformance.page.server.live_model import COUNTS_EVERY_MS, LivePage
from conformance.page.server.yard_picture import DrawnPlace, yard_picture
from protocol.recording import EventKind, RecordedEvent
from protocol.site_file import scenario
from protocol.specification import specification
from tests.page.said import BERTH, CRANE, SHUTTLE, STATUS, Bus


# ---------------------------------------------------------------- what to do
def test_there_is_advice_for_every_fault_and_every_trouble() -> None:
    assert set(OF_FAULTS) == set(specification().words("fault_code"))
    shown = {state.replace(" ", "-") for state in HEALTH} | set(TELLING)
    assert set(OF_STATES) == shown | {"stranger", "digest", "held", "load", "blocked", "drift"}


@pytest.mark.parametrize("code", [code for code in OF_FAULTS if specification().fault_level(code) == "halt"])
def test_who_is_sent_to_a_machine_that_halted_is_told_to_remove_motor_power(code: str) -> None:
    """But where it is off already, or where nobody has to reach in."""
    told = OF_FAULTS[code].lower()
    if code == "power-lost":
        assert "nobody has a hand in a machine" in told
    elif code != "pick-missed":
        assert "power off" in told


def test_every_trouble_on_the_page_says_what_to_do() -> None:
    bus = Bus()
    bus.say("north", "fault", active=["axis-stuck"], changed="axis-stuck", level="halt", faults=1)
    bus.say("north", "crane-status", **(CRANE | {"held": True, "load": "unsure"}))
    troubles = {key: one for key, one in bus.model().items() if key.startswith("trouble/")}
    assert len(troubles) > 3
    assert [key for key, one in troubles.items() if not one["do"]] == []


@pytest.mark.parametrize("number", [errno.ECONNRESET, errno.ECONNREFUSED, errno.EPIPE, errno.ETIMEDOUT])
def test_a_lost_link_is_told_in_words(number: int) -> None:
    told = link_in_words(f"the connection was lost: {OSError(number, 'Connection reset by peer')}")
    assert "Errno" not in told
    assert "See whether" in told
    bus = Bus()
    bus.yard.take(RecordedEvent(5, EventKind.DISCONNECTED, "lost: [Errno 104] Connection reset by peer"))
    assert "Errno" not in bus.model()["bus"]["why"]


def test_a_number_without_words_is_left_out() -> None:
    assert link_in_words("lost: [Errno 99999] Odd thing happened") == "lost: odd thing happened"


# ---------------------------------------------------------------- lamps
def test_lamps_stand_in_the_order_of_the_bits() -> None:
    """Bit 0 is the first sensor of the site file [MSG-14]: here the stops of the shuttle, one of them closed."""
    bus = Bus()
    assert "sensors/ferry" not in bus.model(), "a board that does not say is not shown"
    bus.say("ferry", "shuttle-status", **SHUTTLE, inputs=0b01)
    node = scenario().nodes["ferry"]
    names = node.sensors("shuttle")
    assert bus.model()["sensors/ferry"]["sensors"] == [
        [name, number == 0] for number, name in enumerate(names)
    ]
    bus.say("ferry", "shuttle-status", **SHUTTLE, inputs=0b10)
    shown = dict(map(tuple, bus.model()["sensors/ferry"]["sensors"]))
    assert (shown[names[0]], shown[names[1]]) == (False, True)


def test_a_bit_that_the_site_file_does_not_have_is_told() -> None:
    bus = Bus()
    bus.say("siding", "train-arrival", **BERTH, inputs=0b100)
    assert ["not in the site file", True] in bus.model()["sensors/siding"]["sensors"]


# ---------------------------------------------------------------- messages
def line_of(bus: Bus) -> dict[str, Any]:
    lines = bus.yard.lines()
    return lines[max(lines, key=lambda key: int(key.split("/")[1]))]


def test_a_line_has_its_bytes_and_what_they_mean_and_what_changed() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    assert line_of(bus)["changed"] == ""
    bus.say("north", "crane-status", **(CRANE | {"mode": "working"}))
    line = line_of(bus)
    assert line["changed"] == "mode ready > working"
    raw = bytes.fromhex(line["raw"])
    assert json.loads(raw)["mode"] == "working"
    assert json.loads(line["decoded"]) == json.loads(raw)


def test_what_is_said_seldom_is_found_among_much_else() -> None:
    bus = Bus()
    bus.say("south", "fault", active=[], faults=0)
    for _ in range(100):
        bus.say("north", "crane-status", **CRANE)
    assert {one["message"] for one in bus.yard.lines().values()} == {"crane-status"}
    (found,) = bus.yard.lines(("south", "")).values()
    assert (found["node"], found["message"]) == ("south", "fault")
    assert list(bus.yard.lines(("", "fault")).values()) == [found]
    assert bus.yard.lines(("south", "crane-status")) == {}


def test_counts_alone_are_told_twice_a_second() -> None:
    """Of a hundred nodes they would be most of what is sent; anything else of a node is told at once."""
    now_s = [1.0]
    page = LivePage(scenario(), "here", lambda: int(now_s[0] * 1e6))
    bus = Bus()

    def after(at_s: float, **fields: Any) -> dict[str, Any]:
        bus.say("north", "crane-status", at_s, **CRANE)
        if fields:
            bus.say("north", "node-status", at_s, **(STATUS | {"roles": ["crane"]} | fields))
        now_s[0] = at_s
        return page.model()["node/north"]

    bus.yard = page._yard
    first = after(1.0)
    assert after(1.1) == first
    assert after(1.2, bench=True)["state"] == "bench"
    assert after(1.0 + 2 * COUNTS_EVERY_MS / 1000)["messages"] == 5


# ---------------------------------------------------------------- the picture
def overlaps(one: DrawnPlace, other: DrawnPlace) -> bool:
    return (
        one.x < other.x + other.width and other.x < one.x + one.width
        and one.y < other.y + other.height and other.y < one.y + one.height
    )  # fmt: skip


def test_everything_is_on_it_once_and_nothing_over_another() -> None:
    site = scenario()
    picture = yard_picture(site)
    assert [crane.name for crane in picture.cranes] == [node.name for node in site.with_role("crane")]
    assert sorted(drawn.place.name for drawn in picture.places) == sorted(site.places)
    for drawn in picture.places:
        assert [slot.number for slot in drawn.slots] == list(range(drawn.place.slots))
        assert drawn.x >= 0
        assert drawn.x + drawn.width <= picture.width
        assert drawn.y + drawn.height <= picture.height
        assert not any(other is not drawn and overlaps(drawn, other) for other in picture.places)
    reaches = {
        (node.name, place) for node in site.nodes.values() if node.crane for place in node.crane.places
    }
    assert {(one.crane, one.place) for one in picture.reaches} == reaches


def test_a_deck_stops_below_the_cranes_that_work_there() -> None:
    picture = yard_picture(scenario())
    (deck,) = (drawn for drawn in picture.places if drawn.stops)
    left = {crane.name: crane.x for crane in picture.cranes}
    stops = dict(deck.stops)
    assert left["north"] < stops["quay-n"] < left["north"] + 150
    assert left["south"] < stops["quay-s"] < left["south"] + 150


def test_a_deck_that_runs_carries_its_box_and_is_nowhere_else() -> None:
    bus = Bus()
    bus.say("ferry", "shuttle-status", **(SHUTTLE | {"place": "quay-s"}))
    assert (bus.model()["place/ferry"]["at"], bus.model()["place/ferry"]["here"]) == ("quay-s", True)
    moving = {key: value for key, value in SHUTTLE.items() if key != "place"} | {"state": "moving"}
    bus.say("ferry", "shuttle-status", **moving)
    entry = bus.model()["place/ferry"]
    assert (entry["at"], entry["guest"], entry["here"]) == ("", "moving", False)
