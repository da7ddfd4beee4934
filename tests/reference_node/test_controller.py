"""When a node says things, and in which order: one instant at a time."""

from __future__ import annotations

import pytest

from protocol.codec import decode
from protocol.specification import specification
from reference_node.controller.publisher import PROGRESS_MS
from reference_node.controller.stimulus_player import StimulusPlayer
from tests.reference_node.test_parts_of_a_controller import PARK
from tests.reference_node.yard import BOOT, Yard, answers, homed_crane


def messages(yard: Yard, since: int) -> list[tuple[str, object]]:
    """What was said: each message, a report with its state."""
    return [
        (one.message, one.body.get("state") if one.message == "job-report" else None)
        for one in yard.said[since:]
    ]


def test_a_fault_is_said_before_the_report_and_the_state_that_follow_from_it() -> None:
    """FLT-02; the order of the row `halt` in the table of jobs."""
    yard = homed_crane()
    yard.order("north", "jog", target=[500, 0, 0])
    yard.run(500)
    before = len(yard.said)
    yard.nodes["north"].power_lost()
    yard._hear("north", yard.nodes["north"].tick(yard.now_ms))
    assert messages(yard, before)[:3] == [("fault", None), ("job-report", "failed"), ("crane-status", None)]
    assert yard.state("north", "fault")["faults"] == 1
    assert yard.reports("north")[-1]["reason"] == "fault"


def test_a_reset_that_clears_nothing_is_answered_with_the_fault_message_too() -> None:
    """FLT-05: whoever resets sees what is left, also where that has not changed."""
    yard = Yard("ferry", bench=True)
    before = len(yard.said)
    yard.order("ferry", "reset-fault", faults=0, found="none", place="quay-n")
    assert [one for one, _ in messages(yard, before)].count("fault") == 1


def test_rubbish_is_told_in_the_instant_in_which_it_came() -> None:
    yard = Yard("ferry", bench=True)
    said = yard.deliver("ferry", b"\xff")
    assert [one.message for one in said] == ["fault"]
    assert said[0].body["active"] == ["bad-message"]


def test_every_state_is_due_again_in_time_while_the_node_is_connected_and_never_while_it_is_not() -> None:
    yard = Yard("ferry", bench=True)
    node = yard.nodes["ferry"]
    repeat = specification().timing["state_repeat"].most
    assert repeat is not None
    due = node.next_tick(yard.now_ms)
    assert due == min(node.beat_ms(message) for message in node.state_messages())
    assert due is not None
    assert yard.now_ms < due <= yard.now_ms + repeat
    node.disconnected(yard.now_ms)
    later = node.next_tick(due + 10_000)
    assert later == due + 11_000, "nothing is due, so it is looked after once a second"


def test_a_machine_that_moves_says_twice_a_second_where_it_is() -> None:
    yard = homed_crane()
    yard.order("north", "jog", target=[500, 0, 0])
    before = len(yard.said)
    yard.run(1_700)
    times = [one.at_ms for one in yard.said[before:] if one.message == "crane-status"]
    gaps = {later - earlier for earlier, later in zip(times[-3:], times[-2:], strict=False)}
    assert gaps == {PROGRESS_MS} == {500}


@pytest.mark.parametrize("node", ["north", "siding", "ferry"])
def test_a_node_connects_as_its_site_file_says(node: str) -> None:
    yard = Yard(node)
    controller = yard.nodes[node]
    assert controller.client_id == node
    assert controller.keep_alive_s == yard.site.nodes[node].keep_alive_s > 0
    own = f"yw1/{yard.site.name}/{node}/job-order"
    assert sorted(controller.subscriptions()) == sorted(
        [(own, 1), (f"yw1/{yard.site.name}/all/job-order", 1)]
    )


def test_a_repeat_of_a_cancelled_job_is_answered_once_and_a_cancel_with_its_jobs_end() -> None:
    """ORD-06 and ORD-17: the cancel's own report, and the job's that has changed."""
    yard = homed_crane()
    jog = {"act": "jog", "boot": BOOT, "id": 70, "deadline": 2**31 - 1, "target": [500, 0, 0]}
    yard.send("north", jog)
    yard.run(300)
    cancel = {"act": "cancel", "boot": BOOT, "id": 71, "ref": 70}
    ended = answers(yard.send("north", cancel))
    assert ended == [("cancel", 70, "cancelled", None), ("jog", 70, "cancelled", None)]
    assert answers(yard.send("north", jog)) == [("jog", 70, "cancelled", None)]


def test_a_cancel_that_comes_too_late_is_answered_by_itself() -> None:
    yard = Yard("ferry", bench=True)
    yard.order("ferry", "reset-fault", faults=0, found="none", place="quay-n")
    yard.order("ferry", "run", to="quay-s")
    yard.run(100)
    job = yard.ids["ferry"]
    assert answers(yard.order("ferry", "cancel", ref=job)) == [("cancel", job, "running", "too-late")]


def test_what_a_sensor_makes_happen_has_the_sensors_time_however_late_the_node_looks() -> None:
    """MSG-08 and BEN-02: uptime is when it happened, to the millisecond above."""
    yard = Yard("ferry", bench=True)
    node = yard.nodes["ferry"]
    yard.run(50)
    yard.order("ferry", "stimulus", inputs=[["stop-1", True, 40], ["motor-power", False, 60]])
    began = node.uptime
    before = len(yard.said)
    yard._hear("ferry", node.tick(yard.now_ms + 2_000))
    lost = next(one.body for one in yard.said[before:] if one.message == "fault")
    assert lost["active"] == ["power-lost"]
    assert lost["uptime"] - began == 100
    assert node.uptime == began + 2_000


def test_stimuli_come_in_the_order_of_their_times_each_counted_from_the_one_before() -> None:
    assert StimulusPlayer().next_us is None
    player = StimulusPlayer()
    player.add([("a", True, 40), ("b", False, 100)], 1_000)
    player.add([("c", True, 60), ("d", True, 80)], 1_000)
    assert player.next_us == 1_040_000
    assert player.take(1_039_999) == []
    assert [(one.sensor, one.closed, one.at_us) for one in player.take(1_060_000)] == [
        ("a", True, 1_040_000),
        ("c", True, 1_060_000),
    ]
    assert player.next_us == 1_140_000
    assert [one.sensor for one in player.take(1_140_000)] == ["b", "d"]
    assert player.next_us is None


def test_a_held_job_may_start_up_to_its_deadline() -> None:
    """ORD-23."""
    yard = homed_crane()
    node = yard.nodes["north"]
    yard.run(0)
    yard.at_once("north", PARK | {"id": 50, "deadline": node.uptime + 700}, {"act": "hold"})
    job, began = node.job, yard.now_ms
    assert job is not None
    states = []
    for at in (699, 700, 701):
        node.tick(began + at)
        states.append(job.state)
    assert states == ["accepted", "accepted", "failed"]


def test_a_report_says_what_the_spreader_holds() -> None:
    yard = homed_crane()
    yard.order("north", "jog", target=[100, 0, 0])
    assert {one.get("load") for one in yard.reports("north") if one["act"] in ("jog", "home")} == {"none"}
    berth = Yard("siding")
    berth.order("siding", "reset-fault", faults=0, found="none")
    berth.order("siding", "admit")
    assert ["load" in one for one in berth.reports("siding")] == [False] * len(berth.reports("siding"))


def test_each_change_of_a_machine_is_told_by_itself() -> None:
    """MSG-01: two things that happen in one instant are two messages."""
    yard = homed_crane()
    node = yard.nodes["north"]
    marks = iter((901, 902))

    def tick(now_ms: int) -> bool:
        node.mark = mark = next(marks, 0) or node.mark
        return mark == 901

    node.roles["crane"].tick = tick  # type: ignore[method-assign]
    said = [
        decode("crane-status", one.payload).body
        for one in node.tick(yard.now_ms)
        if "crane-status" in one.topic
    ]
    assert [body and body["mark"] for body in said] == [901, 902]
