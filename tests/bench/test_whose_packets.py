"""Which signs make a connection the node's, at both sides of every limit, and what is said of all others."""

from __future__ import annotations

from itertools import combinations

import pytest

from conformance.bench.tap.attribution import (
    CERTAIN,
    KEPT,
    NAMED,
    Boot,
    NodeSignature,
    SeenClient,
    names_one_board,
)
from protocol.wire.packet import Ack, Kind, Ping
from tests.bench.test_attribution import NODE, OWN, YARD, Bus

STATUS, ORDERS = f"{OWN}/node-status", f"{OWN}/job-order"


# ---------------------------------------------------------------- by its topics
@pytest.mark.parametrize(
    ("signature", "topic", "own"),
    [
        (NODE, STATUS, True), (NODE, f"{OWN}/fault", True), (NODE, ORDERS, False),
        (NODE, "yw1/harlow-basin/north/node-status", False), (NODE, "yw1/other/ferry/node-status", False),
        (NODE, "yw2/harlow-basin/ferry/node-status", False), (NODE, "ferry", False), (NODE, "", False),
        (YARD, "yw1/harlow-basin/north/job-order", True), (YARD, "yw1/harlow-basin/all/job-order", True),
        (YARD, "yw1/other/north/job-order", False), (YARD, "yw1/harlow-basin/north/node-status", False),
        (YARD, "yw1/harlow-basin/yard/node-status", True),
    ],
)  # fmt: skip
def test_where_only_the_node_may_publish(signature: NodeSignature, topic: str, own: bool) -> None:
    assert signature.is_own(topic) is own


@pytest.mark.parametrize(
    ("signature", "topic_filter", "heard"),
    [
        (NODE, ORDERS, True), (NODE, f"{OWN}/#", False), (NODE, "yw1/harlow-basin/all/job-order", False),
        (YARD, "yw1/harlow-basin/#", True), (YARD, "yw1/+/+/node-status", True), (YARD, "yw1/other/#", False),
        (YARD, "#", False), (YARD, "yw1/#", False),
    ],
)  # fmt: skip
def test_to_what_only_the_node_has_to_subscribe(
    signature: NodeSignature, topic_filter: str, heard: bool
) -> None:
    assert signature.is_heard(topic_filter) is heard


@pytest.mark.parametrize(
    ("topic_filter", "one"),
    [
        (ORDERS, True), ("yw9/a/b/job-order", True), ("yw1/harlow-basin/all/job-order", False),
        ("yw1/+/ferry/job-order", False), ("yw1/harlow-basin/#/job-order", False), (STATUS, False),
        ("harlow-basin/ferry/job-order", False), (f"{ORDERS}/x", False),
    ],
)  # fmt: skip
def test_the_orders_of_one_node_name_one_board(topic_filter: str, one: bool) -> None:
    assert names_one_board(topic_filter) is one


# ---------------------------------------------------------------- by its signs
SIGNS = ("name", "will", "orders", "words")


@pytest.mark.parametrize("signs", [one for size in range(5) for one in combinations(SIGNS, size)])
def test_a_will_or_two_lesser_signs_make_it_the_node(signs: tuple[str, ...]) -> None:
    bus = Bus()
    number = bus.come("ferry" if "name" in signs else "esp", will=STATUS if "will" in signs else None)
    if "orders" in signs:
        bus.subscribe(number, ORDERS)
    if "words" in signs:
        bus.publish(number, f"{OWN}/fault")
    known = "will" in signs or len(signs) >= CERTAIN
    assert bus.attribution.is_node(number) is known
    assert len(bus.judged) == (1 + ("orders" in signs) + ("words" in signs) if known else 0)
    assert bus.attribution.strangers == ({} if known else {"ferry" if "name" in signs else "esp": 1})
    if not known:
        likely = bool({"words", "name"} & set(signs))
        assert bool(bus.attribution.best()) is likely
        assert bus.attribution.is_node(number) is likely


def test_signs_are_counted() -> None:
    for signs, certainty, acts in (
        ((), 0, False), (("name",), 1, False), (("will",), 2, True), (("orders", "words"), 2, True),
        (("name", "words"), 2, True), (("name", "will"), 3, True),
    ):  # fmt: skip
        client = SeenClient(signs=set(signs))
        assert (client.certainty, client.acts) == (certainty, acts)
    for is_node, settled, owned in ((None, False, False), (False, True, False), (True, True, True)):
        client = SeenClient(is_node=is_node)
        assert (client.settled(), client.owned()) == (settled, owned)


@pytest.mark.parametrize(("more", "known"), [(KEPT - 2, True), (KEPT - 1, False)])
def test_so_many_packets_are_kept_while_nobody_knows(more: int, known: bool) -> None:
    """With its CONNECT and the sign behind them one more than is kept is too many."""
    bus = Bus()
    number = bus.come("ferry")
    for _ in range(more):
        bus.say(number, Ping(Kind.PINGREQ))
    assert bus.attribution.strangers == {"ferry": 1}
    bus.say(number, Ping(Kind.PINGREQ))
    bus.subscribe(number, ORDERS)
    assert bus.attribution.is_node(number) is known
    assert len(bus.judged) == (more + 3 if known else 0)


def test_what_the_broker_says_is_no_sign() -> None:
    bus = Bus()
    number = bus.come("ferry")
    bus.publish(number, "other/things")
    bus.say(number, Ack(Kind.PUBACK, 1), back=True)
    assert not bus.attribution.is_node(number)


# ---------------------------------------------------------------- once it is known
def test_a_client_with_the_node_s_identifier_is_waited_for_until_it_acts() -> None:
    """It says CONNECT, as the node does that comes again; with the next word it has to show that it is the node."""
    bus = Bus()
    bus.come("ferry", will=STATUS)
    other = bus.come("ferry", peer="")
    bus.say(other, Ack(Kind.PUBACK, 1), back=True)
    assert bus.attribution.conflict == ""
    bus.say(other, Ping(Kind.PINGREQ))
    assert bus.attribution.conflict == (
        "another client, from somewhere, uses the client identifier of the node, 'ferry':"
        " the broker throws one off when the other connects"
    )
    assert not bus.attribution.is_node(other)
    third = bus.come("ferry", peer="10.0.0.5")
    bus.say(third, Ping(Kind.PINGREQ))
    assert "somewhere" in bus.attribution.conflict, "the first is told"


def test_one_that_comes_while_the_node_is_away_displaces_nobody() -> None:
    bus = Bus()
    bus.go(bus.come("ferry", will=STATUS))
    again = bus.come("ferry")
    for _ in range(3):
        bus.say(again, Ping(Kind.PINGREQ))
    assert (bus.attribution.conflict, bus.attribution.is_node(again)) == ("", False)
    bus.subscribe(again, ORDERS)
    assert bus.attribution.is_node(again)


@pytest.mark.parametrize(
    ("will", "orders", "words", "known"),
    [
        (True, False, False, True),
        (False, True, True, True),
        (False, False, True, False),
        (False, True, False, False),
    ],
)
def test_another_identifier_needs_what_only_the_node_does(
    will: bool, orders: bool, words: bool, known: bool
) -> None:
    bus = Bus()
    bus.go(bus.come("esp", will=STATUS))
    other = bus.come("new", will=STATUS if will else None)
    if orders:
        bus.subscribe(other, ORDERS)
    if words:
        bus.publish(other, f"{OWN}/fault")
    assert bus.attribution.is_node(other) is known


def test_its_name_and_words_alone_are_not_enough_for_another_identifier() -> None:
    bus = Bus()
    bus.go(bus.come("esp", will=STATUS))
    other = bus.come("ferry")
    bus.publish(other, f"{OWN}/fault")
    assert not bus.attribution.is_node(other)


def test_of_the_likely_ones_all_connections_of_one_client_are_taken_in_their_order() -> None:
    bus = Bus()
    first, second = bus.come("esp"), bus.come("esp")
    bus.publish(second, f"{OWN}/fault")
    bus.publish(first, f"{OWN}/fault")
    found = bus.attribution.best()
    assert [one.connection for one in found] == [first, second, second, first]
    assert bus.attribution._clients[first].kept == []
    assert bus.attribution.is_node(first)
    assert bus.attribution.is_node(second)


# ---------------------------------------------------------------- what is said of others
def test_whose_board_a_stranger_is_by_its_own_word() -> None:
    bus = Bus()
    will = bus.come("a", will="yw1/other/x/node-status")
    bus.subscribe(will, "yw1/other/y/job-order")
    orders = bus.come("b")
    bus.subscribe(orders, "#")
    bus.subscribe(orders, "yw1/other/z/job-order")
    bus.subscribe(orders, "yw1/other/w/job-order")
    mute = bus.come("c")
    claimed = {"a": "yw1/other/x/node-status", "b": "yw1/other/z/job-order"}
    assert bus.attribution.claims == claimed
    bus.go(will)
    bus.go(mute)
    bus.come("ferry", will=STATUS)
    assert bus.attribution.claims == claimed, "the node is not among them, and who has gone is"


@pytest.mark.parametrize("meddlers", [1, NAMED, NAMED + 1])
def test_who_published_in_the_node_s_place_is_named(meddlers: int) -> None:
    bus = Bus()
    bus.come("ferry", will=STATUS)
    for number in range(meddlers):
        one = bus.come(f"m{number}")
        bus.publish(one, f"{OWN}/fault")
        bus.publish(one, STATUS)
    _, *told = bus.attribution.notes()
    assert told == [
        f"the client 'm{number}' published on {OWN}/fault, a topic of ferry: not judged"
        for number in range(min(meddlers, NAMED))
    ]


def test_clients_of_the_kit_are_nobody() -> None:
    bus = Bus()
    bus.attribution.of_the_kit.add("watch")
    bus.go(bus.come("watch"))
    bus.come("watch")
    assert (bus.attribution.strangers, bus.attribution.notes()) == ({}, [])


# ---------------------------------------------------------------- two boards
@pytest.mark.parametrize(
    ("firmware", "peer", "words"),
    [
        ("1.2", "10.0.0.1", "boot 7 (firmware '1.2', from 10.0.0.1)"), ("", "", "boot 7 (firmware not told)"),
        ("1.2", "", "boot 7 (firmware '1.2')"),
    ],
)  # fmt: skip
def test_a_boot_in_words(firmware: str, peer: str, words: str) -> None:
    assert Boot(7, firmware, peer).words == words


@pytest.mark.parametrize(("boots", "conflict"), [((7, 9, 7), True), ((7, 7, 7), False), ((7, 8, 9), False)])
def test_a_boot_that_comes_back_gives_two_boards_away(boots: tuple[int, ...], conflict: bool) -> None:
    bus = Bus()
    number = bus.come("ferry", will=STATUS)
    for boot in boots:
        bus.status(number, boot, 2)
    assert bool(bus.attribution.conflict) is conflict


def test_of_one_boot_the_newest_word_is_told() -> None:
    bus = Bus()
    number = bus.come("ferry", will=STATUS, peer="10.0.0.1")
    for boot, firmware in ((7, "a"), (9, "b"), (9, "c"), (7, "d"), (9, "e")):
        bus.status(number, boot, 2, firmware)
    assert bus.attribution.conflict.endswith(
        "boot 7 (firmware 'd', from 10.0.0.1) came back after boot 9 (firmware 'c', from 10.0.0.1)"
    )


def test_only_its_own_word_that_it_is_on_tells_a_boot() -> None:
    bus = Bus()
    number = bus.come("ferry", will=STATUS)
    bus.status(number, 7, 2, state="off")
    bus.publish(number, STATUS, [1])
    bus.publish(number, f"{OWN}/fault", {"boot": 7, "state": "on"})
    bus.publish(number, "yw1/harlow-basin/north/node-status", {"boot": 7, "state": "on"})
    assert bus.attribution._boots == []
    bus.status(number, 7, 2)
    assert bus.attribution._boots == [Boot(7, "1", "10.0.0.9")]
