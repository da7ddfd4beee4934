"""The virtual bus against MQTT 3.1.1 (OASIS Standard, 29 October 2014): each test names its statement."""

from __future__ import annotations

from random import Random

import pytest

from protocol.participant import Delivery, Publication
from protocol.wire.evidence import ClosedBy
from protocol.wire.packet import Ack, Connect, Disconnect, Kind, Publish, Subscribe
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from tests.wire.people import Listener, Node, PoliteNode
from tests.wire.virtual_clients import new_bus, run_for, say, with_listener


def test_live_message_has_no_retain_flag_and_a_stored_one_has() -> None:
    """[MQTT-3.3.1-8]: set when sent for a new subscription; [MQTT-3.3.1-9]: clear for an established one."""
    bus = new_bus()
    early = with_listener(bus)
    say(bus, "a", b"x", retain=True)
    late = Listener("late")
    bus.attach(late)
    run_for(bus, 100)
    assert early.heard == [Delivery("a", b"x", 1, retain=False)]
    assert late.heard == [Delivery("a", b"x", 1, retain=True)]


def test_only_the_newest_retained_message_is_kept() -> None:
    """[MQTT-3.3.1-5], [MQTT-3.3.1-7]: the newer one replaces it, also at QoS 0."""
    bus = new_bus()
    say(bus, "a", b"old", retain=True)
    say(bus, "a", b"new", qos=0, retain=True)
    assert with_listener(bus).heard == [Delivery("a", b"new", 0, retain=True)]


def test_an_empty_retained_message_deletes_and_is_delivered_itself() -> None:
    """[MQTT-3.3.1-10], [MQTT-3.3.1-11]: it is passed on as usual, and nothing is kept."""
    bus = new_bus()
    early = with_listener(bus)
    say(bus, "a", b"x", retain=True)
    say(bus, "a", b"", retain=True)
    late = Listener("late")
    bus.attach(late)
    run_for(bus, 100)
    assert early.payloads("a") == [b"x", b""]
    assert late.heard == []
    assert dict(bus.retained) == {}


def test_a_message_without_the_flag_leaves_the_store_alone() -> None:
    """[MQTT-3.3.1-12]."""
    bus = new_bus()
    say(bus, "a", b"kept", retain=True)
    say(bus, "a", b"passing")
    assert bus.retained["a"].payload == b"kept"


# ---------------------------------------------------------------- filters and QoS
@pytest.mark.parametrize(
    ("topic_filter", "topic", "matches"),
    [
        # The examples of sections 4.7.1.2, 4.7.1.3, 4.7.2 and 4.7.3.
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("#", "sport/tennis", True),
        ("sport/tennis/+", "sport/tennis/player1", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
        ("#", "$SYS/monitor", False),
        ("+/monitor/Clients", "$SYS/monitor/Clients", False),
        ("$SYS/#", "$SYS/monitor", True),
        ("ACCOUNTS", "Accounts", False),
    ],
)
def test_topic_filters(topic_filter: str, topic: str, matches: bool) -> None:
    bus = new_bus()
    listener = with_listener(bus, (topic_filter, 1))
    say(bus, topic, b"x")
    run_for(bus, 100)
    assert bool(listener.heard) is matches


@pytest.mark.parametrize(("sent", "granted"), [(0, 0), (0, 1), (1, 0), (1, 1)])
def test_delivered_at_the_lower_qos(sent: int, granted: int) -> None:
    """[MQTT-3.8.4-6]: the minimum of the QoS of the message and the QoS granted."""
    bus = new_bus()
    listener = with_listener(bus, ("a", granted))
    say(bus, "a", b"x", qos=sent)
    run_for(bus, 100)
    assert [one.qos for one in listener.heard] == [min(sent, granted)]


def test_overlapping_filters_deliver_at_the_highest_qos() -> None:
    """[MQTT-3.3.5-1]: respecting the maximum QoS of all the matching subscriptions."""
    bus = new_bus()
    listener = with_listener(bus, ("a/#", 0), ("a/+", 1))
    say(bus, "a/b", b"x")
    run_for(bus, 100)
    assert listener.heard == [Delivery("a/b", b"x", 1)]


# ---------------------------------------------------------------- wills
def test_will_after_one_and_a_half_keep_alives_of_silence() -> None:
    """[MQTT-3.1.2-24] and [MQTT-3.1.2-8]."""
    bus = new_bus()
    listener = with_listener(bus, ("north/status", 1))
    bus.attach(Node(keep_alive_s=4))
    run_for(bus, 1_000)
    bus.detach("north", graceful=False)
    last_us = max(one.at_us for one in bus.packets["north"] if one.from_node)
    assert bus.time.run_until_true(lambda: b"off 1" in listener.payloads("north/status"), within_ms=60_000)
    silence_ms = bus.time.now_ms - last_us / 1000
    assert 6_000 <= silence_ms <= 6_000 + 15  # 1.5 times 4 s, and three legs of at most 5 ms
    assert bus.retained["north/status"].payload == b"off 1"
    assert [one.will for one in bus.log if one.payload == b"off 1"] == [True]


def test_a_disconnect_discards_the_will() -> None:
    """[MQTT-3.1.2-10]: the server deletes the will when it gets DISCONNECT."""
    bus = new_bus()
    bus.attach(Node())
    run_for(bus, 100)
    bus.detach("north", graceful=True)
    run_for(bus, 60_000)
    assert bus.retained["north/status"].payload == b"on 1"
    assert isinstance(bus.packets["north"][-1].packet, Disconnect)


def test_a_parting_message_comes_before_the_disconnect() -> None:
    """[LNK-16]."""
    bus = new_bus()
    listener = with_listener(bus, ("north/status", 1))
    bus.attach(PoliteNode())
    run_for(bus, 100)
    bus.detach("north", graceful=True)
    run_for(bus, 60_000)
    assert listener.payloads("north/status") == [b"on 1", b"off 1"]
    assert not any(one.will for one in bus.log)


def test_a_will_without_the_flag_is_not_kept() -> None:
    """[MQTT-3.1.2-16]: published as a non-retained message."""

    class Passing(Node):
        def will(self) -> Publication | None:
            return self.message("status", "gone")

    bus = new_bus()
    listener = with_listener(bus, ("north/status", 1))
    bus.attach(Passing())
    run_for(bus, 100)
    bus.sever("north")
    run_for(bus, 100)
    assert b"gone" in listener.payloads("north/status")
    assert bus.retained["north/status"].payload == b"on 1"


def test_the_same_client_identifier_takes_over_and_the_will_is_sent() -> None:
    """[MQTT-3.1.4-2]: the server disconnects the existing client; its will comes before the new 'on'."""
    bus = new_bus()
    listener = with_listener(bus, ("north/status", 1))
    bus.attach(Node())
    run_for(bus, 100)
    bus.detach("north", graceful=False)
    bus.attach(Node())  # a reset: the same controller again
    run_for(bus, 100)
    assert listener.payloads("north/status") == [b"on 1", b"off 1", b"on 1"]
    assert [one.closed_by for one in bus.connections["north"]] == [ClosedBy.BROKER, None]


def test_two_live_clients_of_one_identifier_throw_each_other_off() -> None:
    """[MQTT-3.1.4-2], what [LNK-17] warns of."""
    bus = new_bus()
    first, second = Node(), Node()
    bus.attach(first)
    run_for(bus, 100)
    bus.attach(second)
    run_for(bus, 30_000)
    assert len(first.downs) > 3
    assert len(second.downs) > 3


# ---------------------------------------------------------------- scripts, evidence, sameness
def test_a_script_may_lose_delay_and_double_deliveries() -> None:
    bus = new_bus()
    listener = with_listener(bus)

    def script(sender: str, receiver: str, publication: Publication) -> list[tuple[int, Publication]] | None:
        assert (sender, receiver) == ("someone", "ear")
        return {b"lost": [], b"twice": [(10, publication), (50, publication)]}.get(publication.payload)

    bus.intercept = script
    for payload in (b"lost", b"twice", b"as usual"):
        say(bus, "a", payload)
    run_for(bus, 1_000)
    assert listener.payloads("a") == [b"as usual", b"twice", b"twice"]


def test_evidence_reads_as_a_tap_would_read_it() -> None:
    bus = new_bus()
    bus.attach(Node(keep_alive_s=4))
    run_for(bus, 100)
    say(bus, "north/order", b"go")
    run_for(bus, 100)
    book = bus.packets["north"]
    assert [one.number for one in book] == list(range(1, len(book) + 1))
    sent = [one.packet for one in book if one.from_node]
    connect, subscribe, first = sent[:3]
    assert isinstance(connect, Connect)
    assert (connect.client_id, connect.clean_session, connect.keep_alive) == ("north", True, 4)
    assert connect.will is not None
    assert (connect.will.payload, connect.will.retain, connect.will.qos) == (b"off 1", True, 1)
    assert isinstance(subscribe, Subscribe)
    assert [(one.filter, one.qos) for one in subscribe.subscriptions] == [("north/order", 1)]
    assert isinstance(first, Publish)
    assert first.payload == b"on 1"
    order = next(one for one in book if isinstance(one.packet, Publish) and not one.from_node)
    answers = [one for one in book if one.from_node and one.number > order.number]
    assert isinstance(order.packet, Publish)
    assert order.packet.packet_id is not None
    assert answers[0].packet == Ack(Kind.PUBACK, order.packet.packet_id)  # [MQTT-4.3.2-2]
    assert all(
        one.packet.packet_id is not None for one in book if isinstance(one.packet, Publish) and one.packet.qos
    )


def story(seed: int) -> list[object]:
    bus = VirtualBus(VirtualTime(), Random(seed), loss=0.1, repeat=0.2)
    listener = with_listener(bus)
    bus.attach(Node(keep_alive_s=2, every_ms=70))
    run_for(bus, 3_000)
    bus.cut("north", 7_000)
    run_for(bus, 20_000)
    return [*bus.log, *listener.heard, *bus.packets["north"]]


def test_the_same_seed_tells_the_same_story() -> None:
    assert story(5) == story(5)
    assert story(5) != story(6)


def test_unknown_clients_are_named() -> None:
    with pytest.raises(KeyError, match="north"):
        new_bus().detach("north", graceful=True)
