"""A node followed over its connections and boots: what a new one ends, what is excused, and what counts as judged."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.oracle.disturbances import EXCUSED_MS, SETTLED_MS
from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Log
from conformance.oracle.node_judge import DEAD, OVERTAKEN_MS, NodeJudge
from protocol.codec import encode
from protocol.site import Encoding
from protocol.specification import specification
from protocol.wire.packet import Publish
from tests.oracle.script import SITE, Script, told

NEXT = 256


def watched(**how: Any) -> Script:
    """One whose judge was set up otherwise; it has seen what a node says as it comes up."""
    script = Script()
    script.oracle = NodeJudge(script.log, SITE, "ferry", **how)
    script.comes_up()
    script.fence()
    assert told(script) == []
    return script


def reconnects(script: Script, *, counted: bool = True) -> None:
    script.connection += 1
    script.status_says(link=script.status["link"] + counted)


# ---------------------------------------------------------------- the first word of a connection
@pytest.mark.parametrize(
    ("first", "wrong"), [("node-status", False), ("shuttle-status", True), ("fault", True)]
)
def test_a_connection_begins_with_node_status(first: str, wrong: bool) -> None:
    """LNK-08: as its first message of every connection."""
    script = watched()
    before = script.oracle.judged["LNK-08"]
    script.connection += 1
    script.status["link"] += 1
    say = {
        "node-status": script.status_says,
        "shuttle-status": script.shuttle_says,
        "fault": script.fault_says,
    }
    say[first]()
    script.comes_up()
    assert told(script) == (["LNK-08"] if wrong else [])
    assert script.oracle.judged["LNK-08"] == before + 1


def test_what_was_lost_on_a_line_may_have_been_its_first_message() -> None:
    lost = [0]
    script = watched(damaged=lambda: lost[0])
    script.connection += 1
    script.status["link"] += 1
    lost[0] = 1
    script.shuttle_says()
    assert told(script) == []
    assert script.oracle.lost
    script.status_says()
    assert told(script) == []


# ---------------------------------------------------------------- a connection that is lost
def test_a_sound_link_is_not_lost() -> None:
    """LNK-03, where nobody cuts it; no time of its new connection is held against it."""
    script = Script()
    reconnects(script)
    script.comes_up()
    assert told(script) == ["LNK-03"]
    reconnects(script)
    assert told(script) == [], "it has hardly connected"
    script.wait(1_100)
    reconnects(script)
    assert told(script) == ["LNK-03"]
    script = watched()
    reconnects(script)
    assert told(script) == [], "somebody may cut it"


@pytest.mark.parametrize(("waits", "wrong"), [(EXCUSED_MS - 10, []), (EXCUSED_MS + 10, ["LNK-03"])])
def test_a_disturbed_link_may_be_lost_for_a_while(waits: float, wrong: list[str]) -> None:
    script = Script()
    script.oracle.take(script.now)
    before = script.oracle.silent_is_fine
    script.oracle.excuse(script.now)
    assert (before, script.oracle.silent_is_fine) == (False, True)
    script.wait(waits)
    reconnects(script)
    assert told(script) == wrong
    assert not NodeJudge(Log(), SITE, "ferry").silent_is_fine


def test_nor_may_it_where_the_test_machine_stood_still() -> None:
    script = Script(stalled=lambda _begin, _end: 5.0)
    reconnects(script)
    assert told(script) == []


def test_what_still_comes_over_the_old_connection_is_past() -> None:
    script = watched()
    reconnects(script)
    script.comes_up()
    script.connection -= 1
    script.says("fault", active=[], faults=9)
    script._seqs["fault"] -= 1
    script.connection += 1
    script.fault_says()
    assert told(script) == []


@pytest.mark.parametrize("judge", ["tap", "listener"])
def test_a_reconnection_ends_what_was_on_its_way(judge: str) -> None:
    script = watched(listening=judge == "listener")
    script.order("claim", boot=7, id=NEXT)
    script.wait(OVERTAKEN_MS + 500)
    reconnects(script)
    script.comes_up()
    script.wait(3_000)
    script.comes_up()
    assert "ORD-01" not in told(script)


# ---------------------------------------------------------------- boots
def test_a_boot_within_a_connection_is_told_by_who_may_have_cut_it() -> None:
    """MSG-04: the same in all messages of one boot; MSG-05 where nobody did anything to it."""
    script = watched()
    script.boot = 8
    script.fault_says()
    assert told(script) == ["MSG-04"]
    script = Script()
    script.boot = 8
    script.fault_says()
    assert told(script) == ["MSG-05"]
    script = watched()
    script.boot = 8
    reconnects(script)
    assert told(script) == []


def test_the_cause_of_a_restart_is_told_as_it_is_said() -> None:
    script = Script()
    script.boot, script.connection = 8, 2
    script.status_says(link=1, reset="watchdog")
    script.oracle.take(script.now)
    assert [one.what for one in script.oracle.findings] == [
        "the node restarted by itself, reset cause 'watchdog'"
    ]
    script = Script()
    script.boot = 8
    script.fault_says()
    script.oracle.take(script.now)
    assert [one.what for one in script.oracle.findings] == [
        "the node restarted by itself, reset cause 'power-on'"
    ]


def test_each_message_counts_as_judged_for_its_boot() -> None:
    script = watched()
    before = script.oracle.judged["MSG-04"]
    script.comes_up()
    script.oracle.take(script.now)
    assert script.oracle.judged["MSG-04"] == before + 3


@pytest.mark.parametrize(("link", "known"), [(0, True), (1, True), (2, False)])
def test_at_its_first_connection_a_boot_has_taken_no_order(link: int, known: bool) -> None:
    """CLM-04: after a reset the mark is 0."""
    for name in ("node-status", "fault"):
        script = watched()
        script.boot = 8
        script.connection += 1
        script.status |= {"link": link}
        if name == "fault":
            script.fault_says()
        else:
            script.status_says()
        script.oracle.take(script.now)
        [one] = script.oracle.may_be
        assert (one.held is False) is (known and name == "node-status")


def test_a_new_boot_ends_all_that_was_known() -> None:
    script = watched()
    script.claim(NEXT)
    script.order("hold")
    script.shuttle_says(held=True, holds=1)
    script.fault_says(active=["stop-missed"], faults=1, changed="stop-missed", level="halt")
    script.oracle.findings.clear()
    script.oracle.take(script.now)
    assert (script.oracle.known.mark, script.oracle.known.holds, script.oracle.faults) == (NEXT, 1, 1)
    script.oracle.findings.clear()
    script.boot, script.mark, script.connection = 8, 0, 2
    script._seqs.clear()
    script.shuttle = {"held": False, "holds": 0, "state": "lost", "stop": 0, "load": "unsure"}
    script.fault = {"active": [], "faults": 0}
    script.status |= {"link": 1, "firmware": "another", "starts": 0}
    script.comes_up()
    script.fence()
    assert told(script) == []
    known = script.oracle.known
    assert (known.boot, known.mark, known.holds, known.job, script.oracle.faults) == (8, 0, 0, None, 0)


# ---------------------------------------------------------------- what is no message of now
def test_a_will_and_a_second_delivery_tell_nothing() -> None:
    script = watched()
    topic = f"yw1/{SITE.name}/ferry/"
    will = encode("node-status", {"boot": 6, "link": 3, "state": "off"}, Encoding.JSON)
    script._pass(topic + "node-status", will, from_node=True, retain=True)
    assert (told(script), script.oracle.boot) == ([], 7)
    script.shuttle_says()
    body = {"boot": 7, "seq": 0, "uptime": 1, "active": [], "faults": 9}
    packet = Publish(topic + "fault", encode("fault", body, Encoding.JSON), 1, True, True, 1)
    script.log.add(connection=1, at_ms=script.now, from_node=True, size=90, packet=packet)
    assert (told(script), script.oracle.faults) == ([], 0)


def test_what_binds_who_reads_is_told_of_who_writes_as_what_a_payload_is() -> None:
    """ENC-12 and ENC-01."""
    script = watched()
    script.says_bytes("fault", b'{"active":[[[[[[]]]]]],"faults":0}')
    assert "ENC-12" not in told(script)


def test_a_finding_names_its_trace() -> None:
    script = watched()
    script.claim(NEXT)
    script.mark = NEXT + 1
    script.shuttle_says()
    script.oracle.take(script.now)
    [one] = script.oracle.findings
    assert (one.requirement, one.at, one.oracle) == ("ORD-08", script.log.end, Oracle.MARK)
    script.oracle.tell_dead()
    assert (script.oracle.dead, script.oracle.findings[-1].what, script.oracle.findings[-1].at) == (
        True,
        DEAD,
        0,
    )


# ---------------------------------------------------------------- orders
def test_an_order_that_is_too_large_for_the_node_need_not_be_answered() -> None:
    """ENC-08: nobody sends a node a packet larger than the receive buffer it announced."""
    for by, owed in ((0, True), (1, False)):
        script = watched()
        topic = f"yw1/{SITE.name}/ferry/job-order"
        payload = encode("job-order", {"act": "claim", "boot": 7, "id": NEXT}, Encoding.JSON)
        packet = Publish(topic, payload, 1, False, False, 1)
        size = SITE.nodes["ferry"].buffer + by
        script.log.add(connection=1, at_ms=script.now, from_node=False, size=size, packet=packet)
        script.wait(1_900)
        script.comes_up()
        assert told(script) == (["ORD-01"] if owed else [])


def test_an_order_to_another_node_is_none_and_one_to_all_is() -> None:
    script = watched()
    script.order("hold", node="north")
    script.shuttle_says()
    assert told(script) == []
    script.order("hold", node="all")
    script.shuttle_says(held=True, holds=1)
    assert told(script) == []


def test_while_a_line_is_overrun_answers_may_be_late() -> None:
    for overrun, wrong in ((False, ["ORD-01"]), (True, [])):
        script = watched()
        script.order("claim", boot=7, id=NEXT)
        script.oracle.take(script.now)
        if overrun:
            script.oracle.overrun(script.now)
        script.wait(1_900)
        script.comes_up()
        assert told(script) == wrong
        script.mark = NEXT
        script.report("claim", NEXT)
        assert told(script) == []


@pytest.mark.parametrize(
    ("waits", "told_of"), [(100 + SETTLED_MS - 10, False), (100 + SETTLED_MS + 10, True)]
)
def test_while_a_stimulus_plays_no_load_is_known(waits: float, told_of: bool) -> None:
    """CRN-10 and the like are judged where no sensor of the tester may still change."""
    script = watched()
    script.order("stimulus", boot=7, id=NEXT, inputs=[["load", True, 100]])
    script.mark = NEXT
    script.report("stimulus", NEXT)
    script.oracle.take(script.now)
    assert script.oracle._set.steady is False
    script.wait(waits)
    script.status_says()
    script.oracle.take(script.now)
    assert script.oracle._set.steady is told_of


def test_a_deadline_follows_its_job_until_the_uptime_is_set() -> None:
    """ORD-23."""
    for sets, wrong in ((False, ["ORD-23"]), (True, [])):
        script = watched()
        script.status_says(minor=specification().minor)
        script.oracle.findings.clear()
        script.oracle.take(script.now)
        script.oracle.findings.clear()
        script.run(NEXT)
        if sets:
            script.order("set-uptime", boot=7, id=NEXT + 1, uptime=400_000)
            script.mark = NEXT + 1
            script.uptime_ahead = 400_000 - int(script.now)
            script.report("set-uptime", NEXT + 1)
        for _ in range(8):
            script.wait(1_500)
            script.comes_up()
        script.report("run", NEXT, "running", step="travel", load="unsure")
        assert told(script) == wrong


def test_reports_are_counted_and_a_fence_is_known() -> None:
    script = watched()
    assert (script.oracle.reports, script.oracle.fenced) == (2, 102)
    script.claim(NEXT)
    script.fence()
    script.oracle.take(script.now)
    assert (script.oracle.reports, script.oracle.fenced, script.oracle.dead) == (4, 103, False)
    script.oracle.went_on()
    assert (script.oracle.reports, script.oracle.fenced, script.oracle.boot) == (0, 0, -1)
    script.comes_up()
    assert (told(script), script.oracle.boot) == ([], 7)


def test_what_is_known_is_nothing_where_nothing_was_said() -> None:
    oracle = NodeJudge(Log(), SITE, "ferry")
    assert (oracle.known.boot, oracle.known.mark, oracle.known.holds, oracle.known.job) == (-1, 0, 0, None)
    assert (oracle.sure, oracle.lost, oracle.faults, oracle.states) == (False, False, 0, {})


def test_what_a_listener_missed_blames_nobody() -> None:
    script = watched(listening=True)
    script.order("claim", boot=7, id=NEXT)
    script.oracle.take(script.now)
    script.wait(OVERTAKEN_MS + 1)
    script.oracle.missed_reports(script.now)
    script.mark = NEXT
    script.comes_up()
    assert told(script) == []
    script = watched(listening=True)
    script.order("claim", boot=7, id=NEXT)
    script.oracle.take(script.now)
    script.wait(50)
    script.oracle.settle(script.now)
    script.mark = NEXT
    script.comes_up()
    assert (told(script), script.oracle.sure) == ([], True)


@pytest.mark.parametrize(("off", "wrong"), [(0, []), (-500, ["BEN-04"]), (500, ["BEN-04"])])
def test_an_uptime_is_judged_again_once_it_was_set(off: int, wrong: list[str]) -> None:
    """BEN-04: set-uptime makes uptime go on from the value given."""
    script = watched()
    script.order("set-uptime", boot=7, id=NEXT, uptime=400_000)
    script.mark = NEXT
    script.uptime_ahead = 400_000 - int(script.now) + off
    script.report("set-uptime", NEXT)
    assert told(script) == wrong
    script.fence()
    script.uptime_ahead -= 900
    script.shuttle_says()
    assert "MSG-08" in told(script), "from then on it goes back no more"
