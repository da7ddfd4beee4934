"""The log of one link: what it keeps, what it finds again, and when a node hears what is sent."""

from __future__ import annotations

import json

import pytest

from conformance.oracle.link_log import Log
from protocol.wire.packet import Connect, Granted, Kind, Packet, Ping, Publish, Subscribe, Subscription
from tests.oracle.script import Script

CONNECT = Connect("MQTT", 4, "ferry", True, 10, None, None, None)


TOPIC, ALL = "yw1/s/n/job-order", "yw1/s/all/job-order"


def subscribes(number: int, topic: str = TOPIC) -> Subscribe:
    return Subscribe(number, (Subscription(topic, 1, 1),))


def log_of(*packets: tuple[int, Packet]) -> Log:
    """These packets, each with its connection."""
    log = Log()
    for connection, packet in packets:
        log.add(connection=connection, at_ms=0, from_node=True, size=2, packet=packet)
    return log


@pytest.mark.parametrize(
    ("packets", "hears"),
    [
        ([], True),
        ([(1, CONNECT)], False),
        ([(1, CONNECT), (1, subscribes(1))], False),
        ([(1, CONNECT), (1, subscribes(1)), (1, Granted(Kind.SUBACK, 1, (1,)))], True),
        (
            [(1, CONNECT), (1, subscribes(1, ALL)), (1, subscribes(2)), (1, Granted(Kind.SUBACK, 1, (1,)))],
            False,
        ),
        (
            [(1, CONNECT), (1, subscribes(1, ALL)), (1, subscribes(2)), (1, Granted(Kind.SUBACK, 2, (1,)))],
            True,
        ),
        ([(1, CONNECT), (1, subscribes(1)), (1, Granted(Kind.UNSUBACK, 1, ()))], False),
        ([(1, CONNECT), (1, subscribes(1)), (1, Granted(Kind.SUBACK, 1, (1,))), (2, CONNECT)], False),
        ([(1, CONNECT), (2, CONNECT), (1, subscribes(1)), (1, Granted(Kind.SUBACK, 1, (1,)))], False),
        ([(2, CONNECT), (2, subscribes(1)), (1, Granted(Kind.SUBACK, 1, (1,)))], False),
    ],
)
def test_a_node_hears_when_its_topic_is_granted_on_its_newest_connection(
    packets: list[tuple[int, Packet]], hears: bool
) -> None:
    assert log_of(*packets).hears(TOPIC) is hears


def test_numbers_stay_when_the_oldest_are_forgotten() -> None:
    log = Script().log
    end, newest = log.end, log.messages[-1]
    assert [trace.number for trace in log.traces] == list(range(1, end + 1))
    log.forget(end)
    assert len(log.traces) == end
    log.forget(2)
    assert (log.end, [trace.number for trace in log.traces]) == (end, [end - 1, end])
    assert [message.number for message in log.messages] == [end - 1, end]
    assert list(log.since(end - 1)) == [newest]
    assert list(log.since(end)) == []
    log.add(connection=1, at_ms=0, from_node=True, size=2, packet=Ping(Kind.PINGREQ))
    assert log.traces[-1].number == end + 1


def test_what_a_node_said_is_found_by_name_and_newest_first_by_latest() -> None:
    script = Script()
    script.shuttle_says(stop=1)
    script.says_bytes("shuttle-status", b"{")
    log = script.log
    assert [message.body.get("stop") for message in log.sent("shuttle-status")] == [1, 1, 1, None]
    assert {message.name for message in log.sent()} >= {"node-status", "fault", "job-report"}
    assert all(message.from_node for message in log.sent())
    assert list(log.sent("shuttle-status", log.end)) == []
    latest = log.latest("shuttle-status")
    assert latest is not None
    assert latest.body["stop"] == 1, "the newest that can be read"
    assert log.latest("job-order") is None
    assert log.latest("crane-status") is None


def test_a_report_is_known_by_its_act_id_and_token() -> None:
    script = Script()
    script.claim(512)
    ask, claim = script.log.sent("job-report")
    assert ask.is_report("ask", token=101)
    assert not ask.is_report("ask", token=102)
    assert not ask.is_report("claim")
    assert claim.is_report("claim")
    assert claim.is_report("claim", order=512)
    assert not claim.is_report("claim", order=513)
    order = next(message for message in script.log.messages if message.body.get("act") == "claim")
    assert not order.is_report("claim", order=512), "an order is no report"


def test_an_answer_under_the_wrong_id_is_told() -> None:
    script = Script()
    script.report("cancel", 600)
    order = {"act": "cancel", "id": 600, "ref": 512}
    assert script.log.misdirected(order, 0) == ", but one for 'cancel' 600"
    assert script.log.misdirected(order | {"id": 601}, 0) == ""
    assert script.log.misdirected(order, script.log.end) == ""
    assert script.log.misdirected({"act": "ask"}, 0) == ""


def test_a_topic_of_nobody_has_no_name_and_orders_are_not_judged() -> None:
    log = Log()
    for topic, from_node in (("other/things", True), ("yw1/s/n/job-order", False)):
        packet = Publish(topic, b"{}", 0, True, False, None)
        log.add(connection=1, at_ms=5, from_node=from_node, size=9, packet=packet)
    stranger, order = log.messages
    assert (stranger.name, stranger.body, stranger.at_ms) == ("", {}, 5)
    assert [finding.requirement for finding in stranger.findings] == ["ENC-13"]
    assert order.name == "job-order"
    assert "LNK-13" not in {finding.requirement for finding in order.findings}
    assert log.connects() == []
    assert [connect for _, connect in log_of((1, CONNECT)).connects()] == [CONNECT]


def test_a_wildcard_is_taken_to_take_in_a_topic() -> None:
    """MQTT 3.1.1 section 4.7."""
    for topic_filter, hears in ((TOPIC, True), ("yw1/s/+/job-order", True), ("yw1/#", True), (ALL, False)):
        granted = Granted(Kind.SUBACK, 1, (1,))
        assert log_of((1, CONNECT), (1, subscribes(1, topic_filter)), (1, granted)).hears(TOPIC) is hears


def entered(*messages: tuple[str, dict[str, object]], from_node: bool = True) -> Log:
    """These messages, as they pass in JSON."""
    log = Log()
    for name, body in messages:
        payload = json.dumps(body, separators=(",", ":")).encode()
        packet = Publish(f"yw1/s/n/{name}", payload, 1, name != "job-order", False, 1)
        log.add(connection=1, at_ms=0, from_node=from_node, size=9, packet=packet)
    return log


def status(minor: int) -> tuple[str, dict[str, object]]:
    return "node-status", Script().status | {"boot": 7, "seq": 0, "uptime": 1, "mark": 0, "minor": minor}


FAULT: dict[str, object] = {"boot": 7, "seq": 0, "uptime": 1, "active": [], "faults": 0}


def test_a_field_of_a_later_minor_version_is_none_of_a_node_that_says_one() -> None:
    """ENC-06: a sender uses no field that the protocol has not; a later one may have more."""
    news = ("fault", FAULT | {"colour": 3})
    for before, minor, found in (
        ([], None, ["ENC-06"]),
        ([status(0)], 0, ["ENC-06"]),
        ([status(250)], 250, []),
    ):
        log = entered(*before, news)
        assert log.minor == minor
        assert [one.requirement for one in log.messages[-1].findings] == found
    [wrong] = entered(status(250), ("fault", FAULT | {"faults": -1})).messages[1:]
    assert [one.requirement for one in wrong.findings] == ["ENC-05"], "what it has must be right all the same"
    assert entered(status(0), ("fault", FAULT | {"minor": 250})).minor == 0


def test_an_order_says_no_minor_version_and_is_not_judged() -> None:
    log = entered(status(1), ("job-order", {"act": "hold", "colour": 3}), from_node=False)
    assert log.minor is None
    assert log.messages[-1].findings == ()


def test_what_was_sent_begins_with_the_first_trace() -> None:
    log = entered(("fault", FAULT), status(0))
    assert [one.number for one in log.sent()] == [1, 2]
    assert [one.number for one in log.sent("fault")] == [1]
    assert [one.number for one in log.sent(after=1)] == [2]
