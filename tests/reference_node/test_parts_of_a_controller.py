"""The parts of a controller, each at its edges: faults, rubbish, heartbeat, inbox, job, and what a node says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from protocol.codec import decode, encode
from protocol.participant import Delivery
from protocol.site import Encoding, NodeSite
from protocol.site_file import scenario
from protocol.specification import specification
from reference_node.controller.controller import _ceil_ms
from reference_node.controller.faults import BadMessages, FaultRegister
from reference_node.controller.heartbeat import Heartbeat, period_of
from reference_node.controller.inbox import Inbox
from reference_node.controller.job import Job
from reference_node.controller.publisher import PROGRESS_MS
from tests.reference_node.yard import BOOT, NEVER, Yard, homed_crane

SITE = scenario()
PARK: dict[str, Any] = {"act": "park", "boot": BOOT, "id": 7, "deadline": NEVER}


# ---------------------------------------------------------------- faults
def test_a_fault_is_said_with_its_level_part_and_job_and_only_a_halt_counts() -> None:
    """FLT-01, FLT-02, FLT-03."""
    register = FaultRegister()
    halts: list[bool] = [register.halted]
    assert register.body() == {"active": [], "faults": 0}
    register.raise_("bad-message")
    assert register.body() == {
        "active": ["bad-message"],
        "faults": 0,
        "changed": "bad-message",
        "level": "warn",
    }
    halts.append(register.halted)
    register.raise_("axis-stuck", part="x", job=9)
    assert register.body() == {
        "active": ["bad-message", "axis-stuck"], "faults": 1, "changed": "axis-stuck", "level": "halt", "part": "x",
        "job": 9,
    }  # fmt: skip
    halts.append(register.halted)
    register.raise_("axis-stuck", part="")
    assert register.body() == {
        "active": ["bad-message", "axis-stuck"], "faults": 2, "changed": "axis-stuck", "level": "halt", "part": "",
    }  # fmt: skip
    register.clear("power-lost")
    assert register.body()["changed"] == "axis-stuck", "what did not stand has not gone"
    register.clear("axis-stuck")
    assert register.body() == {
        "active": ["bad-message"],
        "faults": 2,
        "changed": "axis-stuck",
        "level": "halt",
    }
    halts.append(register.halted)
    register.active.append("x")
    assert register.body()["active"] is not register.active
    assert halts == [False, False, True, False]


def test_as_many_faults_stand_as_a_message_has_room_for() -> None:
    most = specification().messages["fault"]["properties"]["active"]["maxItems"]
    codes = specification().words("fault_code")
    register = FaultRegister()
    for code in codes:
        register.raise_(code)
    assert register.active == list(codes[:most])
    assert register.body()["changed"] == codes[-1]
    assert register.count == sum(specification().fault_level(code) == "halt" for code in codes)


def test_the_count_of_faults_goes_round() -> None:
    register = FaultRegister()
    register.count = 65_535
    register.raise_("power-lost")
    assert register.count == 0


def test_rubbish_is_a_fault_at_once_and_then_once_a_second() -> None:
    """ENC-11."""
    bad = BadMessages()
    assert (bad.due_ms, bad.take(0)) == (None, False)
    bad.came()
    assert bad.due_ms == 0
    assert [bad.take(5), bad.due_ms, bad.take(5), bad.take(99_999)] == [True, None, False, False]
    bad.came()
    bad.came()
    assert bad.due_ms == 1_005
    assert [bad.take(at) for at in (6, 1_004, 1_005, 1_005, 9_999)] == [False, False, True, False, False]


# ---------------------------------------------------------------- heartbeat
def test_a_state_goes_out_a_tenth_of_a_second_before_it_has_to() -> None:
    """MSG-02, MSG-03: 2 s and 10 s; a main loop may come late by that much."""
    assert (period_of("node-status"), period_of("crane-status"), period_of("fault")) == (9_900, 1_900, 1_900)
    beat = Heartbeat()
    assert beat.due_ms("fault", 70) == 70, "never sent: now"
    beat.sent("fault", 0)
    beat.sent("node-status", 30)
    assert (beat.due_ms("fault", 70), beat.due_ms("node-status", 70), beat.due_ms("x", 70)) == (
        1_900,
        9_930,
        70,
    )
    assert (beat.due_ms("fault", 70, 500), beat.due_ms("fault", 70, None)) == (500, 1_900)


# ---------------------------------------------------------------- inbox
ASK = {"act": "ask", "token": 1}


def inbox(reads: str = "both", buffer: int = 128) -> Inbox:
    return Inbox(SITE, NodeSite("north", ("crane",), reads=reads, buffer=buffer))


@pytest.mark.parametrize(
    ("topic", "retain", "taken"),
    [
        ("north/job-order", False, True),
        ("all/job-order", False, True),
        ("north/job-order", True, False),
        ("all/job-order", True, False),
        ("south/job-order", False, False),
        ("north/job-report", False, False),
    ],
)
def test_an_inbox_takes_what_is_for_its_node(topic: str, retain: bool, taken: bool) -> None:
    """LNK-05, LNK-14."""
    payload = encode("job-order", ASK, Encoding.CBOR)
    assert inbox().takes(Delivery(f"yw1/{SITE.name}/{topic}", payload, 1, retain)) is taken


def test_a_packet_of_just_the_buffer_is_taken() -> None:
    """MQTT 3.1.1 section 3.3: two bytes in front, two for the topic's length, two for the id at QoS 1."""
    topic = f"yw1/{SITE.name}/north/job-order"
    for qos in (0, 1):
        room = 128 - 4 - len(topic) - 2 * qos
        assert inbox().takes(Delivery(topic, bytes(room), qos))
        assert not inbox().takes(Delivery(topic, bytes(room + 1), qos))
        assert inbox(buffer=129).takes(Delivery(topic, bytes(room + 1), qos))


@pytest.mark.parametrize(
    ("reads", "json", "cbor"), [("both", True, True), ("json", True, False), ("cbor", False, True)]
)
def test_an_inbox_reads_what_the_site_says(reads: str, json: bool, cbor: bool) -> None:
    """ENC-08, HLD-07."""
    box = inbox(reads)
    own, everyone = box.topics
    assert (own, everyone) == (f"yw1/{SITE.name}/north/job-order", f"yw1/{SITE.name}/all/job-order")
    for encoding, read in ((Encoding.JSON, json), (Encoding.CBOR, cbor)):
        ask, hold = (encode("job-order", body, encoding) for body in (ASK, {"act": "hold"}))
        assert box.read(Delivery(own, ask)) == (ASK if read else None)
        assert (
            box.read(Delivery(own, hold))
            == box.read(Delivery(everyone, hold))
            == ({"act": "hold"} if read else None)
        )
        assert box.read(Delivery(everyone, ask)) is None
        assert box.read(Delivery(own, ask[:-1])) is None
    loose = b'{"act": "ask","token":1,"hue":2}'
    assert box.read(Delivery(own, loose)) == (ASK if json else None)


# ---------------------------------------------------------------- a job
def test_a_job_goes_from_its_acceptance_to_its_end() -> None:
    """ORD-15, ORD-14."""
    job = Job(PARK | {"box": "C-1"})
    said = {"id": 7, "order_boot": BOOT, "act": "park", "box": "C-1"}
    assert (job.state, job.is_open, job.report()) == ("accepted", True, said | {"state": "accepted"})
    assert (job.past_return, job.reason, job.step) == (False, None, None)
    assert job.fire("start")
    job.step = "lift"
    assert (job.state, job.report()) == ("running", said | {"state": "running", "step": "lift"})
    assert not job.fire("repeat")
    assert job.fire("finish")
    assert (job.state, job.is_open, job.report()) == ("done", False, said | {"state": "done"})
    after = Job(PARK | {"id": 8}, job)
    assert (after.state, after.id, after.report()) == (
        "accepted", 8, {"id": 8, "state": "accepted", "order_boot": BOOT, "act": "park"},
    )  # fmt: skip


@pytest.mark.parametrize(("past_return", "state"), [(False, "cancelled"), (True, "running")])
def test_a_cancel_ends_a_job_that_has_picked_nothing(past_return: bool, state: str) -> None:
    """ORD-17."""
    job = Job(PARK)
    job.fire("start")
    job.past_return = past_return
    assert job.fire("cancel") is not past_return
    assert job.state == state


# ---------------------------------------------------------------- what a node says of itself
def test_a_node_says_of_itself_what_its_site_file_says() -> None:
    """MSG-12, BEN-03."""
    for bench in (False, True):
        yard = Yard("north", bench=bench)
        node = SITE.nodes["north"]
        body = {
            "mark": 0, "state": "on", "link": 1, "roles": ["crane"], "firmware": "reference",
            "minor": specification().minor, "reads": "both", "reset": "power-on", "bench": bench, "digest": node.digest,
            "buffer": 256,
        } | ({"starts": 0} if bench else {})  # fmt: skip
        said = yard.state("north", "node-status")
        assert {name: value for name, value in said.items() if name not in ("boot", "seq", "uptime")} == body
    other = replace(SITE, nodes={**SITE.nodes, "north": replace(SITE.nodes["north"], firmware="7.1")})
    assert Yard("north", site=other).state("north", "node-status")["firmware"] == "7.1"


def test_starts_are_told_in_16_bits() -> None:
    yard = Yard("north", bench=True)
    node = yard.nodes["north"]
    for starts, told in ((65_535, 65_535), (65_536, 0), (65_537, 1)):
        yard.machines["north"]._starts_before = -starts
        assert node.node_status()["starts"] == told


def test_the_will_names_the_connection_to_come_and_the_parting_this_one() -> None:
    """LNK-04, LNK-16."""
    yard = Yard("north")
    node = yard.nodes["north"]
    for link, coming in ((1, 2), (65_535, 0)):
        node.link = link
        (parting,) = node.parting(yard.now_ms)
        for said, number in ((node.will(), coming), (parting, link)):
            assert said is not None
            assert (said.topic, said.qos, said.retain) == (f"yw1/{SITE.name}/north/node-status", 1, True)
            assert decode("node-status", said.payload).body == {"boot": BOOT, "state": "off", "link": number}


def test_a_connection_is_counted_and_all_state_told_node_status_first() -> None:
    """LNK-08, LNK-09."""
    yard = Yard("north")
    node = yard.nodes["north"]
    node.disconnected(yard.now_ms)
    node.link = 65_535
    said = [one.topic.rpartition("/")[2] for one in node.connected(yard.now_ms)]
    assert (node.link, said) == (0, ["node-status", "crane-status", "fault"])
    (again,) = node.status(yard.now_ms + 5)
    assert again.topic.endswith("/node-status")


# ---------------------------------------------------------------- orders
def test_a_mark_is_raised_and_never_lowered() -> None:
    """ORD-08, ORD-18."""
    node: Any = Yard("north").nodes["north"]
    node.claimant = 5
    node.raise_mark(9)
    assert (node.mark, node.mark_before, node.claimant) == (9, 0, None)
    node.raise_mark(4)
    assert (node.mark, node.mark_before) == (9, 9)


def test_a_claim_is_answered_with_its_claimant() -> None:
    """CLM-05; a claim at or below the mark changes nothing."""
    yard = Yard("north")

    def answer(body: dict[str, Any]) -> dict[str, Any]:
        (report,) = [one.body for one in yard.send("north", body) if one.message == "job-report"]
        return report

    claim = {"act": "claim", "boot": BOOT, "id": 4096, "token": 77}
    said = answer(claim)
    assert (said["state"], said["mark"], said["claimant"]) == ("done", 4096, 77)
    again = answer(claim | {"token": 78})
    assert (again["state"], again["claimant"]) == ("done", 77)
    lower = answer(claim | {"id": 256})
    assert (lower["state"], lower["reason"], lower["mark"]) == ("refused", "stale", 4096)
    assert "claimant" not in lower
    silent = answer({"act": "claim", "boot": BOOT, "id": 8192})
    assert (silent["state"], "claimant" in silent) == ("done", False)


def test_every_hold_counts_and_a_repeat_of_one_does_not() -> None:
    """HLD-01, HLD-08."""
    yard = Yard("north")
    node = yard.nodes["north"]
    told = []
    for token in (None, None, 5, 5, 6, None, 6):
        yard.send("north", {"act": "hold"} | ({} if token is None else {"token": token}))
        told.append(node.holds)
    assert told == [1, 2, 3, 3, 4, 5, 6]
    assert (yard.state("north", "crane-status")["held"], yard.state("north", "crane-status")["holds"]) == (
        True,
        6,
    )
    node.holds = 65_535
    yard.send("north", {"act": "hold"})
    assert node.holds == 0
    yard.order("north", "resume", holds=0)
    assert not node.held


def test_a_job_waits_for_the_next_tick_and_a_held_one_for_its_deadline() -> None:
    """ORD-23; what has not started by its deadline never starts."""
    yard = homed_crane()
    node = yard.nodes["north"]
    yard.run(0)
    order = PARK | {"id": 50, "deadline": node.uptime + 700}
    yard.at_once("north", order, {"act": "hold"})
    job, began = node.job, yard.now_ms
    assert job is not None
    assert (job.state, job.id) == ("accepted", 50)
    node.held = False
    assert node.next_tick(began) == began
    node.held = True
    assert yard.until(lambda: not job.is_open, 5_000)
    assert (job.reason, yard.now_ms - began) == ("late", 701)
    assert yard.reports("north")[-1]["reason"] == "late"


def test_a_machine_that_moves_is_due_sooner() -> None:
    yard = homed_crane()
    node = yard.nodes["north"]
    still = node.beat_ms("crane-status") - node.heartbeat._sent_ms["crane-status"]
    yard.order("north", "jog", target=[500, 0, 0])
    yard.run(100)
    sent = node.heartbeat._sent_ms
    assert (still, node.beat_ms("crane-status") - sent["crane-status"]) == (1_900, PROGRESS_MS)
    assert node.beat_ms("fault") - sent["fault"] == 1_900


def test_a_time_is_rounded_up_to_the_millisecond() -> None:
    assert [_ceil_ms(us) for us in (None, 0, 1, 999, 1_000, 1_001)] == [None, 0, 1, 1, 1, 2]


def test_only_what_stands_after_a_reset_is_kept() -> None:
    """FLT-05, FLT-06: power has to be there, and an unsure load be settled."""
    yard = homed_crane()
    node = yard.nodes["north"]
    assert [node.may_clear(code) for code in ("load-unsure", "power-lost", "axis-stuck")] == [
        False,
        True,
        True,
    ]
    node._motor_power = False
    assert [node.may_clear(code) for code in ("load-unsure", "power-lost", "axis-stuck")] == [
        False,
        False,
        True,
    ]


def test_a_step_is_reported_where_it_is_another() -> None:
    """ORD-16."""
    yard = homed_crane()
    node = yard.nodes["north"]
    yard.order("north", "jog", target=[500, 0, 0])
    yard.run(100)
    before = len(node._out)
    for step in ("lift", "lift", "travel-to-drop"):
        node.step(step)
    assert len(node._out) - before == 2
    node.past_return()
    assert node.job is not None
    assert node.job.past_return


def test_a_machine_is_told_that_its_job_is_done_and_stands_then() -> None:
    """The role hears of it in the same breath as the report."""
    yard = homed_crane()
    node, told = yard.nodes["north"], []
    node.roles["crane"].finished = lambda: told.append(len(yard.reports("north")))  # type: ignore[method-assign]
    yard.job("north", "jog", target=[100, 0, 0])
    assert len(told) == 1


@pytest.mark.parametrize("act", ["hold", "cancel"])
def test_a_machine_is_told_of_a_hold_once_and_of_a_cancel_that_ends_its_job(act: str) -> None:
    yard = homed_crane()
    node, told = yard.nodes["north"], []
    crane = node.roles["crane"]
    crane.hold = lambda now_ms: told.append("hold")  # type: ignore[method-assign]
    crane.resume = lambda now_ms: told.append("resume")  # type: ignore[method-assign]
    crane.cancel = lambda now_ms: told.append("cancel")  # type: ignore[method-assign]
    yard.order("north", "resume", holds=0)
    assert told == []
    yard.order("north", "jog", target=[500, 0, 0])
    if act == "hold":
        for _ in range(2):
            yard.send("north", {"act": "hold"})
        yard.order("north", "resume", holds=2)
        assert told == ["hold", "resume"]
    else:
        for _ in range(2):
            yard.order("north", "cancel", ref=yard.ids["north"] if not told else yard.ids["north"] - 1)
        assert told == ["cancel"]
