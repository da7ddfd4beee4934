"""Which packets stand behind a finding, and in which words, from a log that was written by hand."""

from __future__ import annotations

import json
from math import inf
from typing import Any

import pytest

from conformance.oracle.link_log import Log
from conformance.suite.verdict import Broken
from conformance.tester.evidence import Evidence, gather
from protocol.specification import specification
from protocol.wire.packet import (
    Ack,
    Connect,
    Disconnect,
    Kind,
    Packet,
    Ping,
    Publish,
    Subscribe,
    Subscription,
    Will,
)

FERRY = "yw1/harlow-basin/ferry"
STATUS = {
    "boot": 7, "seq": 0, "uptime": 5, "mark": 4, "job": 4, "job_state": "done", "held": False, "holds": 0,
    "inputs": 1, "state": "at-place", "place": "quay-n", "stop": 1, "load": "none",
}  # fmt: skip
REPORT = {
    "boot": 7,
    "seq": 0,
    "uptime": 5,
    "mark": 4,
    "act": "run",
    "order_boot": 7,
    "id": 4,
    "state": "done",
}
FAULT = {"boot": 7, "seq": 0, "uptime": 5, "faults": 0, "active": []}


class Told:
    """A log that grows packet by packet."""

    def __init__(self) -> None:
        self.log = Log()

    def add(self, packet: Packet, *, from_node: bool = True) -> int:
        at_ms = float(self.log.end)
        trace = self.log.add(connection=1, at_ms=at_ms, from_node=from_node, size=1, packet=packet)
        return trace.number

    def say(self, message: str, body: Any, *, from_node: bool = True, node: str = "ferry") -> int:
        payload = body if isinstance(body, bytes) else json.dumps(body, separators=(",", ":")).encode()
        packet = Publish(f"yw1/harlow-basin/{node}/{message}", payload, 1, False, False, 1)
        return self.add(packet, from_node=from_node)

    def status(self, seq: int, **more: Any) -> int:
        return self.say("shuttle-status", STATUS | {"seq": seq} | more)

    def gather(
        self, requirement: str = "ORD-03", at: int | None = None, expected: str = "a", seen: str = "b"
    ) -> Evidence:
        return gather(Broken(requirement, expected, seen, at), self.log)

    def text(self, at: int, **more: str) -> str:
        return next(line.text for line in self.gather(at=at, **more).lines if line.number == at)


def test_a_finding_carries_its_requirement_and_where_it_shows() -> None:
    told = Told()
    at = told.status(1)
    found, rule = told.gather("MSG-02", at, "to hear", "nothing"), specification().requirements["MSG-02"]
    assert (found.requirement, found.sentence, found.level) == ("MSG-02", rule.says, rule.level)
    assert (found.expected, found.seen.startswith("nothing"), found.shown_at) == ("to hear", True, at)
    assert told.gather().shown_at == inf


@pytest.mark.parametrize("place", [0, 1, 9, 10, 11, 17, 18, 19])
def test_ten_before_and_two_behind(place: int) -> None:
    told = Told()
    numbers = [told.say("job-report", REPORT | {"seq": n}) for n in range(20)]
    lines = told.gather(at=numbers[place]).lines
    assert [line.number for line in lines] == numbers[max(0, place - 10) : place + 3]
    assert [line.number for line in lines if line.marked] == [numbers[place]]
    assert [line.at_ms for line in lines] == [
        float(line.number - numbers[0] + int(told.log.traces[0].at_ms)) for line in lines
    ]


@pytest.mark.parametrize(
    ("requirement", "shown"),
    [("ORD-03", (False, False)), ("MSG-02", (False, True)), ("LNK-15", (True, False))],
)
def test_acknowledgements_and_repeats_are_shown_where_the_finding_is_about_them(
    requirement: str, shown: tuple[bool, bool]
) -> None:
    told = Told()
    first = told.status(1)
    acks = [told.add(Ack(Kind.PUBACK, 1)), told.add(Ping(Kind.PINGREQ))]
    back = told.add(Ack(Kind.PUBACK, 2), from_node=False)
    repeat = told.status(2, uptime=6)
    other = told.status(3, place="quay-s")
    numbers = {line.number for line in told.gather(requirement).lines}
    assert {first, other} <= numbers
    assert (set(acks) <= numbers, repeat in numbers) == shown
    assert (set(acks) & numbers == set(acks)) is shown[0]
    assert back not in numbers
    assert repeat in {line.number for line in told.gather(requirement, repeat).lines}
    assert acks[0] in {line.number for line in told.gather(requirement, acks[0]).lines}


def test_a_repeat_is_of_one_topic_and_of_a_state() -> None:
    told = Told()
    numbers = [
        told.status(1), told.say("fault", FAULT), told.status(3),
        told.say("job-report", REPORT),
        told.say("job-report", REPORT),
        told.status(6, held=True), told.status(7), told.say("shuttle-status", b"{"), told.say("shuttle-status", b"{"),
    ]  # fmt: skip
    shown = [line.number for line in told.gather().lines]
    assert shown == [one for one in numbers if one != numbers[2]]


# ---------------------------------------------------------------- in words
@pytest.mark.parametrize(
    ("packet", "from_node", "name", "text"),
    [
        (Connect("MQTT", 4, "ferry", True, 10, None, None, None), True, "CONNECT",
         "ferry clean session keep-alive 10 s, no will"),
        (Connect("MQTT", 4, "ferry", False, 0, Will(f"{FERRY}/node-status", b"\xff", 1, True), None, None), True,
         "CONNECT", f"ferry kept session keep-alive 0 s, will on {FERRY}/node-status: unreadable"),
        (Subscribe(1, (Subscription("a", 1, 1), Subscription("b/#", 0, 0))), True, "SUBSCRIBE", "a QoS 1, b/# QoS 0"),
        (Ack(Kind.PUBACK, 9), True, "PUBACK", "packet 9"), (Ping(Kind.PINGREQ), True, "PINGREQ", ""),
        (Disconnect(), True, "DISCONNECT", ""),
    ],
)  # fmt: skip
def test_a_packet_in_words(packet: Packet, from_node: bool, name: str, text: str) -> None:
    told = Told()
    at = told.add(packet, from_node=from_node)
    [line] = told.gather("LNK-15", at).lines
    assert (line.name, line.text, line.node, line.from_node, line.marked) == (name, text, "", from_node, True)


def test_a_message_is_told_by_its_node_and_name() -> None:
    told = Told()
    at = told.say("job-order", {"act": "ask", "token": 9}, from_node=False, node="north")
    [line] = told.gather(at=at).lines
    assert (line.node, line.name, line.text, line.from_node) == (
        "north",
        "job-order",
        "act=ask token=9",
        False,
    )
    strange = told.add(Publish("home/lamp", b"{}", 0, False, False, None))
    line = told.gather(at=strange).lines[-1]
    assert (line.node, line.name) == ("", "home/lamp")


def test_what_the_finding_names_stands_first_then_the_state_then_what_the_rule_is_about() -> None:
    told = Told()
    at = told.status(1)

    def fields(**more: str) -> list[str]:
        return [word.partition("=")[0] for word in told.text(at, **more).split()]

    usual = fields()
    assert set(usual[:2]) == {"state", "job_state"}
    assert usual[-3:] == ["boot", "seq", "uptime"]
    assert fields(requirement="SHT-04")[2] == "stop", "what the rule is about, of all others"
    assert sorted(usual) == sorted(STATUS)
    assert fields(expected="that stop is 3")[0] == "stop"
    assert fields(seen="a seq of 9")[0] == "seq"
    assert set(fields(expected="place", seen="held")[:2]) == {"place", "held"}


def test_values_in_words() -> None:
    told = Told()
    body = {
        "boot": 7, "seq": 0, "uptime": 5, "mark": 0, "state": "on", "link": 1, "roles": ["crane", "shuttle"],
        "minor": 0, "reads": "json", "digest": 1, "buffer": 256, "firmware": "1", "bench": False,
        "reset": "power-on",
    }  # fmt: skip
    text = told.text(told.say("node-status", body)).split()
    assert {"roles=[crane,shuttle]", "bench=no", "buffer=256", "reads=json"} <= set(text)
    assert "held=yes" in told.text(told.status(1, held=True)).split()


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (b"\xa1\x02\xff", "unreadable, 3 bytes: a1 02 ff"), (b"", "unreadable, 0 bytes: "),
        (bytes(25), "unreadable, 25 bytes: " + " ".join(["00"] * 24)), (b"[1", "unreadable, 2 bytes: 5b 31"),
        (b"{" + b"x" * 70, "unreadable, 71 bytes: {" + "x" * 59),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_shown_as_far_as_it_fits(payload: bytes, said: str) -> None:
    told = Told()
    assert told.text(told.say("shuttle-status", payload)) == said
