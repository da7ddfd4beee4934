"""One node as a subscriber hears it: connections by their count, gaps, doubts that later words confirm, and order."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.heard_node import ANSWERED_US, DOUBT_US, SETTLED_US, Heard, HeardNode
from conformance.oracle.listener import OVERTAKEN_US, Listener
from protocol.codec import encode
from protocol.recording import RecordedMessage
from protocol.rules.received import Breach, ReceivedMessage
from protocol.site import Encoding
from protocol.validation import read_message
from tests.oracle.script import SITE

FERRY = SITE.nodes["ferry"]
STATUS: dict[str, Any] = {
    "state": "on", "link": 1, "roles": ["shuttle"], "firmware": "x", "minor": 0, "reads": "both", "reset": "power-on",
    "digest": FERRY.digest, "buffer": 384, "bench": False,
}  # fmt: skip
SHUTTLE: dict[str, Any] = {
    "held": False,
    "holds": 0,
    "state": "at-place",
    "stop": 1,
    "place": "quay-n",
    "load": "unsure",
}
SAID = {
    "node-status": STATUS,
    "shuttle-status": SHUTTLE,
    "fault": {"active": [], "faults": 0},
    "job-report": {},
}


class Bus:
    """What is heard of the ferry, in us; every topic counts by itself."""

    def __init__(self) -> None:
        self.node = HeardNode(SITE, "ferry")
        self.now = 1_000_000
        self.boot, self.mark, self.number = 7, 0, 0
        self.seqs: Counter[str] = Counter()
        self.changed: dict[str, Any] = {}

    def heard(self, message: str, body: dict[str, Any], **how: bool) -> Heard:
        self.number += 1
        received = ReceivedMessage(self.number, self.now, "ferry", message, "", body, **how)
        topic = f"yw1/{SITE.name}/ferry/{message}"
        return Heard(received, topic, encode(message, body, Encoding.JSON), Encoding.JSON)

    def body(self, message: str, **more: Any) -> dict[str, Any]:
        envelope: dict[str, Any] = {"boot": self.boot, "seq": self.seqs[message], "uptime": self.now // 1000}
        envelope |= {} if message == "fault" else {"mark": self.mark}
        self.seqs[message] += 1
        return envelope | SAID[message] | more

    def says(self, message: str, *, how: dict[str, bool] | None = None, **more: Any) -> None:
        self.now += 1_000
        self.node.said(self.heard(message, self.body(message, **more), **(how or {})))

    def comes_up(self, **more: Any) -> None:
        self.says("node-status", **{k: v for k, v in more.items() if k in STATUS})
        self.says("shuttle-status", **{k: v for k, v in more.items() if k in SHUTTLE})
        self.says("fault")

    def order(self, act: str, **fields: Any) -> None:
        self.now += 1_000
        self.node.order(self.heard("job-order", {"act": act} | fields))

    def wait(self, us: int) -> None:
        self.now += us

    def told(self) -> list[str]:
        return [one.requirement for one in self.node.sure(self.now)]


def known() -> Bus:
    """Heard for so long that all that is open by listening alone is settled."""
    bus = Bus()
    for _ in range(9):
        bus.comes_up()
        bus.wait(1_000_000)
    assert bus.told() == []
    return bus


# ---------------------------------------------------------------- what is told
def test_a_mark_that_nothing_raised_is_told_once_every_topic_has_gone_on() -> None:
    """ORD-08; something lost on another topic might explain it."""
    bus = known()
    bus.mark = 9
    bus.says("shuttle-status")
    assert bus.told() == []
    bus.says("node-status")
    assert bus.told() == []
    bus.says("fault")
    assert bus.told() == []
    bus.says("shuttle-status")
    assert bus.told() == ["CLM-04"]
    assert bus.told() == []


def test_a_topic_that_has_fallen_silent_is_waited_for_no_longer_than_so() -> None:
    bus = known()
    bus.mark = 9
    bus.says("shuttle-status")
    at_us = bus.now
    assert bus.node.sure(at_us + DOUBT_US) == []
    [one] = bus.node.sure(at_us + DOUBT_US + 1)
    assert (one.at_us, one.node, one.number, one.note) == (at_us, "ferry", bus.number, False)


@pytest.mark.parametrize("gap", ["lost", "forget"])
def test_what_a_gap_may_explain_is_dropped(gap: str) -> None:
    bus = known()
    bus.mark = 9
    bus.says("shuttle-status")
    if gap == "forget":
        bus.node.forget()
    for name in ("node-status", "fault", "shuttle-status"):
        bus.says(name, how={"lost": gap == "lost" and name == "fault"})
    bus.wait(2 * DOUBT_US)
    assert bus.told() == []


@pytest.mark.parametrize(("how", "gap"), [({}, False), ({"lost": True}, True), ({"lost": True, "first": True}, False),
                                         ({"lost": True, "new_boot": True}, False)])  # fmt: skip
def test_a_gap_lies_behind_the_first_word_of_a_topic(how: dict[str, bool], gap: bool) -> None:
    assert Bus().heard("fault", SAID["fault"], **how).gap is gap


# ---------------------------------------------------------------- connections and boots
def test_a_connection_is_known_by_its_count() -> None:
    """LNK-09: what was on its way is lost with the one before."""
    bus = known()
    bus.order("claim", boot=7, id=256)
    bus.wait(2_000_000)
    bus.comes_up(link=2)
    for _ in range(5):
        bus.wait(1_000_000)
        bus.comes_up(link=2)
    assert bus.told() == []
    assert bus.node.judged["LNK-09"] > 0


def test_a_will_ends_the_connection_that_it_names() -> None:
    for link, ended in ((1, True), (2, False)):
        bus = known()
        bus.says("node-status", state="off")
        body = {"boot": 7, "link": link, "state": "off"}
        bus = known()
        before = bus.node._connection
        bus.node.said(bus.heard("node-status", body))
        bus.says("fault")
        assert bus.node._connection == before + ended
        bus.says("fault")
        assert bus.node._connection == before + ended, "once"


def test_a_new_boot_is_another_connection_of_which_nothing_is_known() -> None:
    bus = known()
    bus.boot = 8
    bus.says("shuttle-status", held=True, holds=3, how={"lost": True, "new_boot": True})
    bus.says("node-status", how={"lost": True, "new_boot": True})
    bus.says("fault", how={"lost": True, "new_boot": True})
    before = bus.node._connection
    bus.says("node-status")
    assert bus.node._connection == before, "the status told its count"
    bus.wait(2 * DOUBT_US)
    assert bus.told() == []


def test_a_node_of_another_site_file_is_not_judged() -> None:
    """SUP-20: the digest is that of its part of the site file."""
    more: dict[str, Any]
    for more in ({"digest": FERRY.digest ^ 1}, {"roles": ["crane"]}):
        bus = Bus()
        bus.says("shuttle-status")
        for _ in range(9):
            bus.says("node-status", **more)
            bus.says("shuttle-status", held=True, holds=9)
            bus.says("shuttle-status", held=False, holds=3)
            bus.wait(1_000_000)
        bus.order("hold")
        assert (bus.told(), bus.node.judged) == ([], Counter())
        bus.comes_up()
        bus.wait(1_000_000)
        bus.comes_up()
        assert bus.node.judged["MSG-04"] > 0
        bus.wait(2 * DOUBT_US)
        assert bus.told() == []


# ---------------------------------------------------------------- what is settled
@pytest.mark.parametrize(("after", "told"), [(SETTLED_US + 2_000_000, True), (0, False)])
def test_some_time_after_a_gap_nothing_follows_from_it(after: int, told: bool) -> None:
    bus = known()
    bus.node.forget()
    bus.comes_up()
    for _ in range(after // 1_000_000):
        bus.wait(1_000_000)
        bus.comes_up()
    bus.mark = 9
    bus.comes_up()
    bus.comes_up()
    assert bool(bus.told()) is told


def test_an_order_is_settled_once_it_has_been_answered_or_lost() -> None:
    """Nobody knows whether it reached the node: until then its mark may show or not."""
    for waits, told in ((0, False), (2 * ANSWERED_US, True)):
        bus = known()
        bus.order("claim", boot=7, id=256)
        for _ in range(waits // 1_000_000):
            bus.wait(1_000_000)
            bus.comes_up()
        bus.mark = 256
        bus.comes_up()
        bus.comes_up()
        assert bool(bus.told()) is told


def test_a_log_that_has_grown_is_cut_and_judged_all_the_same() -> None:
    bus = known()
    for number in range(700):
        bus.says("shuttle-status")
        if not number % 3:
            bus.says("fault")
            bus.says("node-status")
    assert len(bus.node._log.traces) < 600
    bus.mark = 9
    bus.comes_up()
    bus.comes_up()
    assert bus.told() == ["CLM-04"]


# ---------------------------------------------------------------- all nodes of a site
class Ears:
    """A listener, to which a test says everything."""

    def __init__(self) -> None:
        self.listener = Listener(SITE)
        self.bus = Bus()

    def hears(self, message: str, body: dict[str, Any], *, node: str = "ferry", prefix: str = "yw1/harlow-basin",
              at_us: int | None = None, **how: bool) -> None:  # fmt: skip
        at = self.bus.now if at_us is None else at_us
        self.bus.number += 1
        received = ReceivedMessage(self.bus.number, at, node, message, "", body, **how)
        payload = encode(message, body, Encoding.JSON)
        item = RecordedMessage(at, f"{prefix}/{node}/{message}", payload, 1, retain=False, dup=False)
        self.listener.take(received, item, read_message(message, payload, closed=False, explain=False))

    def says(self, message: str, **more: Any) -> None:
        self.bus.now += 1_000
        self.hears(message, self.bus.body(message, **more))

    def comes_up(self) -> None:
        for message in ("node-status", "shuttle-status", "fault"):
            self.says(message)

    def known(self) -> Ears:
        for _ in range(9):
            self.comes_up()
            self.bus.wait(1_000_000)
            assert self.listener.look(self.bus.now) == []
        return self


def test_what_nodes_say_waits_a_little_and_is_judged_then() -> None:
    ears = Ears()
    ears.says("node-status")
    assert ears.listener.look(ears.bus.now + OVERTAKEN_US - 1) == []
    assert ears.listener.judged == {}
    ears.listener.look(ears.bus.now + OVERTAKEN_US)
    assert ears.listener.judged["MSG-04"] == 1


def test_only_nodes_of_this_site_are_judged() -> None:
    more: dict[str, Any]
    for more in ({"prefix": "yw1/another"}, {"node": "stranger"}, {"node": "yard"}):
        ears = Ears()
        ears.hears("node-status", ears.bus.body("node-status"), **dict[str, Any](more))
        ears.listener.end(ears.bus.now)
        assert ears.listener.judged == {}


def test_an_order_may_be_heard_behind_its_answer() -> None:
    ears = Ears().known()
    ears.bus.mark = 256
    ears.says("shuttle-status")
    ears.bus.mark = 0
    ears.bus.now += 1_000
    ears.hears("job-order", {"act": "claim", "boot": 7, "id": 256})
    ears.bus.mark = 256
    ears.comes_up()
    ears.bus.wait(1_000_000)
    assert ears.listener.end(ears.bus.now) == []


def test_a_hold_to_all_comes_to_each() -> None:
    ears = Ears().known()
    ears.hears("job-order", {"act": "hold"}, node="all")
    ears.says("shuttle-status", held=True, holds=1)
    ears.says("fault")
    ears.says("node-status")
    ears.says("shuttle-status", held=True, holds=1)
    assert ears.listener.end(ears.bus.now) == []
    ears = Ears().known()
    ears.hears("job-order", {"act": "hold"}, node="north")
    ears.says("shuttle-status", held=True, holds=1)
    assert [one.requirement for one in ears.listener.end(ears.bus.now)] == ["HLD-01"]


def test_what_nothing_has_confirmed_by_the_end_is_worth_a_note() -> None:
    ears = Ears().known()
    ears.bus.mark = 9
    ears.says("shuttle-status")
    [one] = ears.listener.end(ears.bus.now)
    assert isinstance(one, Breach)
    assert one.note
    ears = Ears().known()
    ears.bus.mark = 9
    ears.comes_up()
    ears.comes_up()
    assert [one.note for one in ears.listener.end(ears.bus.now)] == [False]


@pytest.mark.parametrize("gap", ["lost", "forget"])
def test_a_gap_anywhere_may_have_taken_an_order_to_anybody(gap: str) -> None:
    ears = Ears().known()
    ears.bus.mark = 9
    ears.says("shuttle-status")
    ears.listener.look(ears.bus.now + OVERTAKEN_US)
    if gap == "forget":
        ears.listener.forget()
    else:
        ears.hears("fault", ears.bus.body("fault") | {"boot": 3}, node="north", lost=True)
    ears.comes_up()
    ears.comes_up()
    assert ears.listener.end(ears.bus.now + 3 * DOUBT_US) == []


@pytest.mark.parametrize(
    ("late_ms", "set_", "boot", "wrong"),
    [
        (1, False, 7, False),
        (400, False, 7, False),
        (501, False, 7, True),
        (1, True, 7, True),
        (1, False, 6, True),
    ],
)
def test_what_was_overtaken_is_put_where_its_uptime_says(
    late_ms: int, set_: bool, boot: int, wrong: bool
) -> None:
    """MQTT keeps the order of one topic alone; a state of before the claim is heard behind its report."""
    ears = Ears().known()
    if set_:
        ears.hears("job-order", {"act": "set-uptime", "boot": 7, "id": 1, "uptime": 5})
    first = ears.bus.body("shuttle-status")
    second = ears.bus.body("node-status", uptime=first["uptime"] + late_ms)
    ears.hears("node-status", second)
    ears.hears("shuttle-status", first | {"boot": boot})
    order = [one.received.message for one in ears.listener._waiting if one.received.node == "ferry"][-2:]
    assert (order == ["node-status", "shuttle-status"]) is wrong
