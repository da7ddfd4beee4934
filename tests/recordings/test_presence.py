"""Who counts as there: what cannot be told is somebody who is there and in service."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.recordings.replay.presence import ORDERING, Presence, Standing
from protocol.codec import encode
from protocol.participant import Delivery
from protocol.site import Encoding

ROOT = "yw1/harlow-basin"
TOKEN = 7
ON = {
    "boot": 1, "seq": 0, "uptime": 5, "mark": 0, "state": "on", "link": 1, "roles": ["crane"], "firmware": "x",
    "minor": 0, "reads": "both", "reset": "power-on", "bench": True, "digest": 1, "buffer": 512,
}  # fmt: skip
OFF = {"boot": 1, "link": 1, "state": "off"}


def said(
    message: str,
    body: dict[str, Any] | bytes,
    *,
    retain: bool = False,
    node: str = "north",
    cbor: bool = True,
) -> Delivery:
    payload = (
        body if isinstance(body, bytes) else encode(message, body, Encoding.CBOR if cbor else Encoding.JSON)
    )
    return Delivery(f"{ROOT}/{node}/{message}", payload, 1, retain)


STATUS, SERVICE, PARTING = (
    said("node-status", ON),
    said("node-status", ON | {"bench": False}),
    said("node-status", OFF),
)
ANSWER = said(
    "job-report", {"boot": 1, "seq": 0, "uptime": 6, "mark": 0, "state": "done", "token": TOKEN, "act": "ask"}
)
KEPT_OFF, KEPT_BENCH = said("node-status", OFF, retain=True), said("node-status", ON, retain=True)
KEPT_STATE = said(
    "fault",
    {
        "boot": 310,
        "seq": 330,
        "uptime": 655480,
        "job": 1114116,
        "active": ["axis-stuck"],
        "changed": "axis-stuck",
        "level": "halt",
        "part": "x",
        "faults": 1,
    },
    retain=True,
)
JUNK, KEPT_JUNK = said("crane-status", b"1"), said("crane-status", b"1", retain=True)


def standing(*deliveries: Delivery, node: str = "north") -> Standing | None:
    presence = Presence(tokens={TOKEN})
    for delivery in deliveries:
        presence.hear(delivery)
    one = presence.heard.get(node)
    return None if one is None else one.standing


@pytest.mark.parametrize("encoding", [True, False])
def test_only_a_node_that_answers_and_says_so_is_on_the_bench(encoding: bool) -> None:
    status = said("node-status", ON, cbor=encoding)
    assert standing(status, ANSWER) is Standing.BENCH
    assert standing(status) is Standing.SERVICE
    assert standing(ANSWER) is Standing.SERVICE
    assert standing(SERVICE, ANSWER) is Standing.SERVICE
    assert standing(status, ANSWER, SERVICE) is Standing.SERVICE


def test_of_two_boards_with_one_name_the_one_in_service_counts() -> None:
    assert standing(SERVICE, ANSWER, STATUS) is Standing.SERVICE
    assert standing(STATUS, ANSWER, SERVICE, STATUS) is Standing.SERVICE


def test_another_s_question_is_no_answer_to_ours() -> None:
    other = said(
        "job-report", {"boot": 1, "seq": 0, "uptime": 6, "mark": 0, "state": "done", "token": 8, "act": "ask"}
    )
    assert standing(STATUS, other) is Standing.SERVICE


def test_a_retained_word_is_a_hint_and_no_answer() -> None:
    assert standing(KEPT_BENCH) is Standing.SERVICE
    assert standing(KEPT_BENCH, ANSWER) is Standing.SERVICE
    assert standing(KEPT_STATE) is Standing.SERVICE


def test_gone_is_only_who_said_off_and_nothing_else() -> None:
    assert standing(KEPT_OFF) is Standing.GONE
    assert standing(KEPT_STATE, KEPT_OFF) is standing(KEPT_OFF, KEPT_STATE) is Standing.GONE
    for other in (JUNK, KEPT_JUNK, STATUS, ANSWER, SERVICE):
        assert standing(KEPT_OFF, other) is Standing.SERVICE
        assert standing(other, KEPT_OFF) is Standing.SERVICE


def test_who_leaves_before_our_eyes_may_come_back() -> None:
    assert standing(SERVICE, PARTING) is Standing.SERVICE
    assert standing(PARTING) is Standing.SERVICE


@pytest.mark.parametrize(
    "payload",
    [
        b"1", b"\x01", b"", b"null", b"[]", b"\xa1\x01", b"\xbf\xff", b"{", b"\xf6", b"\xff", b"\x80", b"\xa0", b"{}",
        b'{"state":"off"}', b'{"state":"off","state":"on"}', b"\xd9\xd9\xf7\xa0", b"\x82\xa0\xa0", b"\xc1\x9f\xff",
        b"(\x02state=off)", bytes(range(256)) * 8,
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "message", ["node-status", "crane-status", "fault", "job-report", "no-such-thing", "yard-map"]
)
@pytest.mark.parametrize("retain", [True, False])
def test_what_cannot_be_read_is_somebody(payload: bytes, message: str, retain: bool) -> None:
    assert standing(said(message, payload, retain=retain)) is Standing.SERVICE


@pytest.mark.parametrize(
    "topic", ["yw1/harlow-basin", "yw1/harlow-basin/x", "yw1/harlow-basin/\x1b[2J/y/z", "yw1"]
)
def test_a_topic_that_is_none_is_somebody_too(topic: str) -> None:
    presence = Presence()
    name = presence.hear(Delivery(topic, b"x"))
    assert presence.heard[name].standing is Standing.SERVICE
    assert f"{name}{presence.heard[name].why}".isprintable()


def test_a_bench_node_whose_next_status_cannot_be_read_is_none_any_more() -> None:
    assert standing(STATUS, ANSWER, JUNK) is Standing.BENCH  # A board under test may say such a thing.
    assert standing(STATUS, ANSWER, said("node-status", b"1")) is Standing.SERVICE


def test_whoever_orders_is_there() -> None:
    hold = said("job-order", {"act": "hold"})
    assert standing(hold, node=ORDERING) is Standing.SERVICE
    supervisor = said("node-status", ON | {"roles": ["supervisor"], "bench": False}, node="yard")
    assert standing(supervisor, hold, node=ORDERING) is None
    assert standing(said("job-order", {"act": "hold"}, retain=True)) is Standing.SERVICE


def test_who_speaks_for_one_node_minds_that_node_and_whoever_may_order() -> None:
    presence = Presence()
    for node, roles in (("north", ["crane"]), ("south", ["crane"]), ("yard", ["supervisor"])):
        presence.hear(said("node-status", ON | {"roles": roles, "bench": False}, node=node))
    presence.hear(said("crane-status", b"1", node="old"))
    assert set(presence.concerned({"north"})) == {"north", "yard", "old"}
    assert set(presence.concerned(set())) == {"yard", "old"}
    assert set(presence.concerned(None)) == {"north", "south", "yard", "old"}


def test_a_late_message_of_the_old_boot_undoes_nothing() -> None:
    """The boot that a replay orders by is the new one; that somebody is in service stands, whoever says it."""
    presence = Presence(tokens={TOKEN})
    for boot in (1, 2, 1):
        presence.hear(said("node-status", ON | {"boot": boot}))
    assert presence.heard["north"].boot == 2
    presence.hear(said("node-status", OFF))
    assert not presence.heard["north"].off
    assert presence.heard["north"].bench
    presence.hear(said("node-status", ON | {"bench": False}))
    assert presence.heard["north"].bench is False
