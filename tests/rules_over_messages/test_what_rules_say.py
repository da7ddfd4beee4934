"""Figures in what the rules say, bounds of what they remember, and what a monitor lets through."""

from __future__ import annotations

from typing import Any

import pytest

from protocol.codec import encode
from protocol.recording import Item, RecordedEnd, RecordedEvent, RecordedMessage
from protocol.rules import Breach, ReceivedMessage, RuleMonitor, watch
from protocol.rules.jobs import ANSWER_GRACE_US, DOUBT_US
from protocol.rules.order_history import KnownOrder, OrderHistory
from protocol.rules.orders import TOKENS_KEPT
from protocol.site import Encoding
from protocol.specification import specification
from tests.rules_over_messages.heard import BOOT, SECOND, Bus
from tests.rules_over_messages.test_counts_and_machines import Topics
from tests.rules_over_messages.test_what_nodes_answer import ANSWER_US, ID, ordered

FAULT: dict[str, Any] = {"boot": BOOT, "seq": 1, "uptime": 1000, "active": [], "faults": 0}
STATUS: dict[str, Any] = {
    "boot": BOOT, "seq": 1, "uptime": 1000, "mark": 1, "state": "on", "link": 1, "roles": ["crane"], "firmware": "1",
    "minor": 1, "reads": "both", "reset": "power-on", "bench": False, "digest": 5, "buffer": 512,
}  # fmt: skip


def heard(
    message: str, body: dict[str, Any], at_us: int = 0, node: str = "north", **flags: Any
) -> RecordedMessage:
    payload = encode(message, body, Encoding.CBOR)
    return RecordedMessage(at_us, f"yw1/basin/{node}/{message}", payload, 1, flags.get("retain", False),
                           flags.get("dup", False))  # fmt: skip


# ---------------------------------------------------------------- figures
def test_a_silence_is_told_in_seconds() -> None:
    topics = Topics()
    topics.hears(1)
    topics.hears(1, message="node-status", state="on", link=1)
    topics.looks(13_250_000)
    assert [one.what for one in topics.breaches] == [
        "no fault for 13.2 s; at most 2 s are allowed",
        "no node-status for 13.2 s; at most 10 s are allowed",
    ]
    assert {(one.at_us, one.number, one.node) for one in topics.breaches} == {(63_250_000, 2, "north")}


def test_a_heartbeat_that_is_late_is_told_in_ms() -> None:
    topics = Topics()
    for seq in (1, 2):
        topics.hears(seq, uptime=seq * 2_500)
    assert [one.what for one in topics.breaches] == [
        "fault after 2500 ms of the node's own time; at most 2000 are allowed"
    ]
    topics.hears(3, uptime=4_990)
    assert [one.what for one in topics.breaches] == ["uptime went back by 10 ms"]


def test_an_answer_that_is_missing_is_told_in_ms_and_seconds() -> None:
    bus = ordered("park", deadline=30_000)
    number = bus.number
    bus.now += 10
    bus.says("north", "fault")
    bus.passes(200_000 + ANSWER_GRACE_US)
    bus.report("north", "home", ID + 1, "refused", reason="busy")
    told = next(one for one in bus.found if one.requirement == "ORD-01")
    assert (told.what, told.since, told.number) == (
        "no report to park within 200 ms (none was heard in 1.0 s)", number, bus.number - 1,
    )  # fmt: skip


def test_a_job_that_is_taken_late_is_told_in_ms() -> None:
    bus = ordered("park", deadline=10_000)
    bus.report("north", "park", ID, "accepted", uptime=10_801)
    assert [one.what for one in bus.found] == ["takes a job 801 ms after its deadline"]


@pytest.mark.parametrize(("lead_ms", "told"), [(30_200, False), (30_201, True)])
def test_a_deadline_is_measured_from_the_newest_word(lead_ms: int, told: bool) -> None:
    """SUP-18, with what a listener may be late by."""
    bus = Bus()
    bus.says("north", "node-status")
    bus.order("north", "claim", id=ID)
    bus.now += 2 * SECOND
    bus.says("north", "fault", uptime=5_000)
    bus.now += SECOND
    found = bus.order("north", "park", id=ID + 1, deadline=5_000 + 1_000 + lead_ms)
    assert ("SUP-18" in found) is told
    if told:
        assert bus.found[-1].what == "a deadline 30201 ms ahead; at most 30000 are allowed"


def test_a_crane_is_told_which_axis_it_is() -> None:
    bus = Bus()
    bus.says("north", "crane-status", axes=[[0, 0, True], [0, 0, False], [5, 5, False]])
    bus.says("north", "crane-status", axes=[[0, 0, True], [0, 0, True], [5, 5, False]])
    assert [one.what for one in bus.found] == ["axis 2 became homed while the crane was 'ready'"]
    bus = Bus()
    bus.says("north", "crane-status", mode="working", axes=[[1, 1, True], [2, 3, True], [4, 5, True]])
    bus.says(
        "north", "crane-status", job=1, job_state="done", axes=[[1, 1, True], [2, 3, True], [4, 5, True]]
    )
    assert [one.what for one in bus.found] == ["is ready after its job at 2, but was sent to 3"]


def test_an_order_that_no_claim_covers_says_whether_its_number_was_claimed() -> None:
    """SUP-01: n * 2^20 + r * 2^8 covers the 255 ids behind it."""
    for id_, step in ((ID + 256, ""), (2**20 + 5, " of another claim number")):
        bus = Bus()
        bus.order("north", "claim", id=ID)
        assert "SUP-01" in bus.order("north", "park", id=id_, deadline=30_000)
        assert bus.found[-1].what == f"orders park with id {id_}{step}, which none of its claims covers"


# ---------------------------------------------------------------- what is remembered
def test_so_many_tokens_are_remembered() -> None:
    """SUP-06."""
    for others, told in ((TOKENS_KEPT - 1, ["SUP-06"]), (TOKENS_KEPT, [])):
        bus = Bus()
        for token in range(others + 1):
            assert bus.order("north", "ask", token=token) == []
        bus.now += 100_001
        assert bus.order("north", "ask", token=0) == told


@pytest.mark.parametrize(("us", "told"), [(100_000, []), (100_001, ["SUP-06"])])
def test_a_token_that_comes_twice_at_once_is_one_ask(us: int, told: list[str]) -> None:
    bus = Bus()
    bus.order("north", "ask", token=5)
    bus.now += us
    assert bus.order("north", "ask", token=5) == told
    assert [one.since for one in bus.found] == [1] * len(told)


def test_the_newest_claims_are_remembered() -> None:
    for claims, told in ((16, False), (17, True)):
        bus = Bus()
        for number in range(1, claims + 1):
            bus.order("north", "claim", id=number * 2**20)
        assert ("SUP-01" in bus.order("north", "park", id=2**20 + 1, deadline=30_000)) is told


def test_an_order_begins_with_nothing_said_to_it() -> None:
    order = KnownOrder({"act": "park"}, 1, 2, 3)
    assert (order.answered, order.state, order.step, order.told, order.uptime) == (False, "", "", 0, None)
    assert (order.act, order.is_job, order.is_open, order.acts) == ("park", True, False, set())
    assert KnownOrder({"act": "park"}, 1, 2, 3, state="running").is_open
    assert not KnownOrder({"act": "resume"}, 1, 2, 3, state="running").is_open
    message = ReceivedMessage(1, 2, "north", "fault", "", {})
    assert (message.lost, message.first, message.new_boot) == (False, False, False)
    breach = message.breach("ORD-01", "is odd")
    assert breach == Breach("ORD-01", "is odd", 2, 1, "north", None, False)
    assert str(breach) == "ORD-01 north: is odd"
    assert str(message.breach("ORD-01", "is odd", since=0)) == "ORD-01 north: is odd (see message 0)"


def test_of_several_supervisors_the_oldest_counts() -> None:
    history = OrderHistory()
    newer = next(
        id_ for id_, rule in specification().requirements.items() if rule.role == "supervisor" and rule.since
    )
    of_nodes = next(
        id_ for id_, rule in specification().requirements.items() if rule.role == "node" and rule.since
    )
    assert (history.binds(newer, "north"), history.binds("SUP-01", "north")) == (False, True)
    assert (history.binds(of_nodes, "north"), history.binds("ORD-01", "north")) == (False, True)

    def says(node: str, minor: int, roles: list[str]) -> None:
        body = {"boot": 1, "minor": minor, "roles": roles}
        history.learn(ReceivedMessage(1, 0, node, "node-status", "", body))

    says("north", 1, ["crane"])
    assert (history.binds(newer, "north"), history.binds(of_nodes, "north"), history.supervised) == (
        False,
        True,
        False,
    )
    says("yard", 1, ["supervisor"])
    assert (history.binds(newer, "north"), history.binds(newer, "south"), history.supervised) == (
        True,
        True,
        True,
    )
    says("other", 0, ["supervisor"])
    assert not history.binds(newer, "north")


def test_an_answer_that_comes_at_the_last_moment_is_in_time() -> None:
    """ORD-01."""
    for us, told in ((0, []), (1, ["ORD-01"])):
        bus = ordered("claim")
        bus.now += 10
        bus.says("north", "fault")
        assert bus.passes(ANSWER_US - 10 + us) == []
        assert bus.report("north", "claim", ID, "done", mark=ID) == told


def test_over_a_new_connection_an_answer_that_is_overdue_is_owed_no_more() -> None:
    for link, told in ((1, ["ORD-01"]), (2, [])):
        bus = ordered("claim")
        bus.now += 10
        bus.says("north", "fault")
        bus.passes(ANSWER_US)
        bus.says("north", "node-status", link=link)
        assert bus.passes(DOUBT_US + 1) == told


def test_the_first_id_of_a_boot_is_that_of_the_boot_now() -> None:
    bus = Bus()
    bus.order("north", "park", id=3, deadline=30_000)
    assert bus.history.node("north").first_id is None, "of no boot yet"
    bus.says("north", "fault")
    bus.order("north", "park", id=4, deadline=30_000, boot=BOOT - 1)
    assert bus.history.node("north").first_id is None, "of another boot"
    for id_ in (5, 6):
        bus.order("north", "park", id=id_, deadline=30_000)
        assert bus.history.node("north").first_id == 5


def test_a_mark_is_the_highest_and_has_the_time_at_which_it_was_first_heard() -> None:
    bus = Bus()
    for mark, kept in ((5, (BOOT, 5, 10 * SECOND)), (5, (BOOT, 5, 10 * SECOND)), (4, (BOOT, 5, 10 * SECOND)),
                       (6, (BOOT, 6, 13 * SECOND))):  # fmt: skip
        bus.says("north", "node-status", mark=mark)
        assert bus.history.node("north").mark == kept
        bus.now += SECOND


def test_of_whom_no_minor_version_was_heard_what_every_version_does_is_asked() -> None:
    history = OrderHistory()
    history.learn(ReceivedMessage(1, 0, "yard", "yard-map", "siding", {"boot": 1}))
    assert history.supervised
    for id_, rule in specification().requirements.items():
        assert history.binds(id_, "north") is (rule.since == 0)


# ---------------------------------------------------------------- the monitor
def followed(*items: Item) -> tuple[list[tuple[str, Any]], list[str], RuleMonitor]:
    """Message and seq or act of what counts, what is told, and the monitor."""
    seen: list[tuple[str, Any]] = []
    monitor = RuleMonitor(follow=lambda one, _item, _reading: seen.append((one.message, one.body.get("seq"))))
    told = [breach.requirement for item in items for breach in monitor.take(item)]
    return seen, told, monitor


def test_what_counts_is_readable_said_now_heard_once_and_of_no_boot_that_is_past() -> None:
    good = heard("fault", FAULT)
    assert followed(good)[0] == [("fault", 1)]
    for other in (
        heard("fault", FAULT, retain=True),
        good._replace(payload=b"\xa0"),
        good._replace(topic="yw1/basin/north/faults"),
        RecordedEvent(0, "note", "x"),
        RecordedEnd(0, 1),
    ):
        assert followed(other)[0] == []
    assert followed(good, good)[0] == [("fault", 1)]
    newer = heard("fault", FAULT | {"boot": 8, "seq": 0, "uptime": 1})
    late = heard("fault", FAULT | {"seq": 2, "uptime": 1001})
    assert followed(good, newer, late)[0] == [("fault", 1), ("fault", 0)]
    order = heard("job-order", {"act": "ask", "token": 1})
    assert followed(order)[0] == [("job-order", None)]
    seen, _, monitor = followed(heard("node-status", STATUS))
    assert (seen, dict(monitor.minors)) == ([("node-status", 1)], {"north": 1})
    assert dict(RuleMonitor().minors) == {}


def test_a_gap_in_what_was_heard_excuses_what_follows() -> None:
    """Of a lost connection; of a note nothing follows."""
    first, then = heard("fault", FAULT), heard("fault", FAULT | {"seq": 5, "uptime": 1002}, 2_000)
    assert followed(first, then)[1] == ["MSG-07"]
    assert followed(first, RecordedEvent(1, "note", "x"), then)[1] == ["MSG-07"]
    assert followed(first, RecordedEvent(1, "connected", "x"), then)[1] == ["MSG-07"]
    assert followed(first, RecordedEvent(1, "disconnected", "x"), then)[1] == []


def test_an_order_that_the_broker_gave_twice_is_no_repeat_by_its_sender() -> None:
    """SUP-04: another order under one id."""
    orders = [heard("job-order", {"act": "park", "boot": BOOT, "id": ID, "deadline": deadline}, dup=dup)
              for deadline, dup in ((5, False), (6, False), (6, True))]  # fmt: skip
    assert followed(orders[0], orders[1])[1] == ["SUP-04"]
    assert followed(orders[0], orders[2])[1] == []
    assert followed(orders[2], orders[1])[1] == []
    to_all = heard("job-order", {"act": "hold"}, node="all")
    assert followed(to_all, to_all)[1] == []


def test_what_becomes_overdue_is_told_without_a_message_too() -> None:
    first = heard("fault", FAULT)
    assert followed(first, RecordedEnd(20 * SECOND, 1))[1] == ["MSG-02"]
    assert followed(first, heard("fault", FAULT | {"active": []}, 20 * SECOND, node="south"))[1] == ["MSG-02"]
    monitor = followed(first)[2]
    assert [(one.requirement, one.number) for one in monitor.look(20 * SECOND)] == [("MSG-02", 1)]
    assert [one.requirement for one in watch([first, RecordedEnd(20 * SECOND, 1)])] == ["MSG-02"]
    assert monitor.binding([]) == []


TRANSFER: dict[str, Any] = {"act": "transfer", "boot": BOOT, "id": ID, "deadline": 9_000, "from": "stack-n",
                            "from_slot": 0, "to": "stack-n", "to_slot": 1, "box": "C-1"}  # fmt: skip
DONE: dict[str, Any] = {"boot": BOOT, "seq": 1, "uptime": 2_000, "mark": ID, "id": ID, "state": "done",
                        "order_boot": BOOT, "act": "transfer"}  # fmt: skip
SHUTTLE: dict[str, Any] = {"boot": BOOT, "seq": 1, "uptime": 2_000, "mark": 1, "held": False, "holds": 0,
                           "state": "lost", "stop": 1, "load": "none"}  # fmt: skip


def test_every_part_of_the_rules_hears_orders_and_words() -> None:
    """One breach of each part, by messages as they come."""
    again = TRANSFER | {"id": ID + 1}
    order, done, wrong = (
        heard("job-order", TRANSFER),
        heard("job-report", DONE),
        heard("job-order", again, 3_000),
    )
    assert "SUP-17" in followed(order, done, wrong)[1], "boxes"
    later = heard("shuttle-status", SHUTTLE | {"seq": 2, "stop": 3, "uptime": 2_001}, 1_000)
    assert followed(heard("shuttle-status", SHUTTLE), later)[1] == ["SHT-05"], "machines"
    twice = [heard("job-order", {"act": "ask", "token": 5}, at) for at in (0, SECOND)]
    assert followed(*twice)[1] == ["SUP-06"], "orders"
    claim = heard("job-order", {"act": "claim", "boot": BOOT, "id": 4096})
    spoke = heard("fault", FAULT | {"seq": 2, "uptime": 1_001}, 1_000)
    silent = followed(
        heard("fault", FAULT), claim, spoke, RecordedEnd(2 * SECOND, 3), RecordedEnd(20 * SECOND, 3)
    )[1]
    assert "ORD-01" in silent, "jobs"
