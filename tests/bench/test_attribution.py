"""Whose packets are the node's: told from what it does, packet by packet, with no socket."""

from __future__ import annotations

import json
from itertools import count

import pytest

from conformance.bench.tap.attribution import KEPT, Attribution, NodeSignature
from protocol.wire.evidence import Direction, LinkPacket
from protocol.wire.packet import Connack, Connect, Packet, Publish, Subscribe, Subscription, Will

OWN = "yw1/harlow-basin/ferry"
NODE = NodeSignature("harlow-basin", "ferry")
YARD = NodeSignature("harlow-basin", "yard", supervisor=True)


class Bus:
    """Connections as a tap tells of them; `judged` is what came out as the node's."""

    def __init__(self, signature: NodeSignature = NODE) -> None:
        self.attribution = Attribution(signature)
        self.judged: list[tuple[int, Packet]] = []
        self._numbers = count(1)
        self._now = count(1)

    def come(self, client_id: str, *, will: str | None = None, peer: str = "10.0.0.9") -> int:
        number = next(self._numbers)
        self.attribution.opened(number, peer)
        last = Will(will, b"", 1, True) if will else None
        self.say(number, Connect("MQTT", 4, client_id, True, 10, last, None, None))
        return number

    def say(self, number: int, packet: Packet, *, back: bool = False) -> None:
        way = Direction.TO_NODE if back else Direction.FROM_NODE
        for one in self.attribution.take(LinkPacket(0, number, way, next(self._now), packet)):
            self.judged.append((one.connection, one.packet))

    def subscribe(self, number: int, topic_filter: str) -> None:
        self.say(number, Subscribe(1, (Subscription(topic_filter, 1, 1),)))

    def publish(self, number: int, topic: str, body: object = None) -> None:
        self.say(
            number,
            Publish(topic, json.dumps(body or {}, separators=(",", ":")).encode(), 0, False, False, None),
        )

    def status(self, number: int, boot: int, link: int, firmware: str = "1", **more: object) -> None:
        body = {
            "boot": boot, "seq": 0, "uptime": 5, "mark": 0, "state": "on", "link": link, "roles": ["shuttle"],
            "minor": 0, "reads": "json", "digest": 1, "buffer": 256, "firmware": firmware, "bench": False,
            "reset": "power-on",
        }  # fmt: skip
        self.publish(number, f"{OWN}/node-status", body | more)

    def go(self, number: int) -> None:
        self.attribution.closed(number)

    @property
    def connections(self) -> set[int]:
        return {number for number, _ in self.judged}


def test_a_will_on_its_own_topic_tells_at_once() -> None:
    bus = Bus()
    node = bus.come("esp-77", will=f"{OWN}/node-status")
    assert bus.connections == {node}
    assert bus.attribution.client_id == "esp-77"


def test_without_a_will_two_lesser_signs_tell_and_nothing_before_them_is_lost() -> None:
    bus = Bus()
    node = bus.come("esp-77")
    bus.say(node, Connack(False, 0), back=True)
    bus.subscribe(node, f"{OWN}/job-order")
    assert bus.judged == []
    bus.publish(node, f"{OWN}/node-status")
    assert [type(packet).__name__ for _, packet in bus.judged] == [
        "Connect",
        "Connack",
        "Subscribe",
        "Publish",
    ]


@pytest.mark.parametrize("topic_filter", ["#", "yw1/#", f"{OWN}/#", "yw1/harlow-basin/north/job-order"])
def test_who_only_listens_is_not_the_node(topic_filter: str) -> None:
    bus = Bus()
    ear = bus.come("ear")
    bus.subscribe(ear, topic_filter)
    assert bus.attribution.best() == []
    bus.come("ferry", will=f"{OWN}/node-status")
    assert ear not in bus.connections
    assert bus.attribution.strangers == {"ear": 1}


def test_a_flood_is_counted_and_costs_no_memory() -> None:
    bus = Bus()
    for number in range(1000):
        one = bus.come(f"flood-{number}")
        bus.publish(one, "yw1/harlow-basin/north/node-status")
        bus.go(one)
    loud = bus.come("loud")
    for _ in range(2 * KEPT):
        bus.publish(loud, "other/things")
    node = bus.come("ferry", will=f"{OWN}/node-status")
    assert bus.connections == {node}
    assert len(bus.attribution.strangers) == 1001
    assert len(bus.attribution._clients) <= 2
    (note,) = bus.attribution.notes()
    assert "1001 other clients" in note


def test_who_publishes_on_its_topics_is_named() -> None:
    bus = Bus()
    early = bus.come("early")
    bus.publish(early, f"{OWN}/fault")
    bus.come("ferry", will=f"{OWN}/node-status")
    late = bus.come("late")
    bus.publish(late, f"{OWN}/shuttle-status")
    told = " ".join(bus.attribution.notes())
    assert f"'early' published on {OWN}/fault" in told
    assert f"'late' published on {OWN}/shuttle-status" in told
    assert not {early, late} & bus.connections


def test_the_node_comes_again_and_may_take_over_its_own_dead_connection() -> None:
    bus = Bus()
    first = bus.come("ferry", will=f"{OWN}/node-status")
    bus.status(first, 7, 1)
    again = bus.come("ferry", will=f"{OWN}/node-status")
    bus.status(again, 7, 2)
    bus.go(first)
    reset = bus.come("ferry", will=f"{OWN}/node-status")
    bus.status(reset, 8, 1)
    assert bus.connections == {first, again, reset}
    assert bus.attribution.conflict == ""


def test_a_later_connection_without_the_will_is_still_the_nodes() -> None:
    """So that a fault which shows at the second connection is judged."""
    bus = Bus()
    bus.go(bus.come("ferry", will=f"{OWN}/node-status"))
    again = bus.come("ferry")
    bus.say(again, Connack(False, 0), back=True)
    bus.subscribe(again, f"{OWN}/job-order")
    assert again in bus.connections


def test_a_node_that_changes_its_identifier_is_judged_for_it() -> None:
    bus = Bus()
    bus.go(bus.come("ferry", will=f"{OWN}/node-status"))
    other = bus.come("ferry-2", will=f"{OWN}/node-status")
    assert other in bus.connections


def test_nobody_else_is_the_node_while_it_is_there() -> None:
    bus = Bus()
    bus.come("ferry", will=f"{OWN}/node-status")
    other = bus.come("copy", will=f"{OWN}/node-status")
    bus.subscribe(other, f"{OWN}/job-order")
    assert other not in bus.connections
    assert bus.attribution.strangers == {"copy": 1}


def test_another_client_with_its_identifier_is_a_conflict() -> None:
    bus = Bus()
    bus.come("ferry", will=f"{OWN}/node-status")
    other = bus.come("ferry", peer="10.0.0.77")
    assert bus.attribution.conflict == ""
    bus.subscribe(other, "#")
    assert "10.0.0.77" in bus.attribution.conflict
    assert other not in bus.connections


def test_two_boards_of_one_make_are_a_conflict() -> None:
    bus = Bus()
    for boot, link in ((7, 1), (9, 1), (7, 2)):
        assert bus.attribution.conflict == ""
        bus.status(bus.come("ferry", will=f"{OWN}/node-status"), boot, link)
    assert "boot 7 (firmware '1', from 10.0.0.9) came back after boot 9" in bus.attribution.conflict


def test_of_two_boards_of_one_name_each_is_told_by_what_it_says_and_where_it_is() -> None:
    bus = Bus()
    for peer, firmware, boot, link in (
        ("10.0.0.1", "a", 7, 1),
        ("10.0.0.2", "b", 9, 1),
        ("10.0.0.1", "a", 7, 2),
    ):
        number = bus.come("ferry", will=f"{OWN}/node-status", peer=peer)
        bus.status(number, boot, link, firmware)
        bus.go(number)
    assert bus.attribution.conflict.endswith(
        ": boot 7 (firmware 'a', from 10.0.0.1) came back after boot 9 (firmware 'b', from 10.0.0.2)"
    )


def test_boots_that_come_again_by_chance_are_none() -> None:
    bus = Bus()
    for boot in (7, 9, 7):
        bus.status(bus.come("ferry", will=f"{OWN}/node-status"), boot, 1)
    assert bus.attribution.conflict == ""


def test_a_board_that_only_talks_is_taken_where_nothing_better_came() -> None:
    bus = Bus()
    mute = bus.come("esp-77")
    bus.publish(mute, f"{OWN}/node-status")
    found = bus.attribution.best()
    assert {one.connection for one in found} == {mute}
    assert bus.attribution.client_id == "esp-77"


def test_between_two_likely_ones_nobody_is_chosen() -> None:
    bus = Bus()
    for name in ("one", "two"):
        bus.publish(bus.come(name), f"{OWN}/node-status")
    assert bus.attribution.best() == []


def test_a_supervisor_is_known_by_what_it_hears_and_orders() -> None:
    bus = Bus(YARD)
    ear = bus.come("ear")
    bus.subscribe(ear, "yw1/harlow-basin/#")
    mine = bus.come("my-yard")
    bus.subscribe(mine, "yw1/harlow-basin/+/node-status")
    bus.publish(mine, "yw1/harlow-basin/north/job-order")
    assert bus.connections == {mine}
    loud = bus.come("loud")
    bus.publish(loud, "yw1/harlow-basin/north/job-order")
    assert "'loud' published on yw1/harlow-basin/north/job-order" in " ".join(bus.attribution.notes())


def test_a_look_at_the_port_is_no_client() -> None:
    bus = Bus()
    bus.attribution.opened(99, "127.0.0.1")
    bus.attribution.closed(99)
    assert bus.attribution.strangers == {}


@pytest.mark.parametrize(
    ("strangers", "named", "more"), [(1, 1, ""), (3, 3, ""), (4, 3, " and 1 more"), (6, 3, " and 3 more")]
)
def test_three_strangers_are_named_and_the_others_counted(strangers: int, named: int, more: str) -> None:
    bus = Bus()
    for number in range(strangers):
        for _ in range(2):
            bus.go(bus.come(f"other-{number}"))
    (note,) = bus.attribution.notes()
    names = ", ".join(repr(f"other-{number}") for number in range(named))
    assert note.startswith(
        f"{strangers} other client{'s' if strangers > 1 else ''} came to the tap ({names}{more}; "
    )
    assert note.endswith(f" {2 * strangers} connections): let through, and not judged")


def test_a_stranger_that_comes_once_has_one_connection() -> None:
    bus = Bus()
    bus.go(bus.come("other"))
    (note,) = bus.attribution.notes()
    assert note == "1 other client came to the tap ('other'; 1 connection): let through, and not judged"


def test_a_client_that_nobody_knows_yet_is_waited_for_and_one_that_showed_nothing_is_forgotten() -> None:
    bus = Bus()
    likely = bus.come("board")
    bus.publish(likely, f"{OWN}/fault")
    bus.go(likely)
    assert bus.attribution.strangers == {"board": 1}
    assert {one.connection for one in bus.attribution.best()} == {likely}
    assert (bus.attribution.client_id, bus.attribution.strangers) == ("board", {})
    assert bus.attribution.best() == [], "the node is known"


def test_one_that_goes_while_the_node_is_known_was_a_stranger() -> None:
    bus = Bus()
    bus.come("ferry", will=f"{OWN}/node-status")
    bus.go(1)
    early = bus.come("late")
    bus.publish(early, f"{OWN}/fault")
    bus.go(early)
    bus.go(early)
    assert bus.attribution.strangers == {"late": 1}
    assert f"'late' published on {OWN}/fault" in " ".join(bus.attribution.notes())
    assert early not in bus.attribution._clients


def test_a_connection_of_the_node_stays_its_own_when_it_is_over() -> None:
    bus = Bus()
    node = bus.come("ferry", will=f"{OWN}/node-status")
    assert bus.attribution.is_node(node)
    assert not bus.attribution.is_node(node + 1)
    bus.status(node, 7, 1)
    bus.go(node)
    assert bus.connections == {node}
    assert len(bus.judged) == 2, "each packet once"


@pytest.mark.parametrize(("between", "conflict"), [(3, True), (4, False)])
def test_a_boot_that_comes_back_behind_many_others_is_chance(between: int, conflict: bool) -> None:
    bus = Bus()
    for boot in (7, *range(100, 100 + between), 7):
        bus.status(bus.come("ferry", will=f"{OWN}/node-status"), boot, 2)
    assert bool(bus.attribution.conflict) is conflict
