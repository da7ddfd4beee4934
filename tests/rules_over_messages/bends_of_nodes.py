"""Bends of what nodes say: their counts, their states."""

from __future__ import annotations

from tests.rules_over_messages.bends import breaks
from tests.rules_over_messages.bent import Tale


@breaks("MSG-07")
def seq_twice(tale: Tale) -> None:
    one = tale.first("north", "crane-status", mode="working")
    again = tale.after(one, spreader="closed")
    for later in tale.where("north", "crane-status"):
        if later.at_us >= again.at_us:
            later.body["seq"] -= 1


@breaks("MSG-07")
def seq_back(tale: Tale) -> None:
    tale.first("north", "crane-status", mode="working").body["seq"] -= 9


@breaks("MSG-08")
def uptime_back(tale: Tale) -> None:
    tale.last("north", "crane-status").body["uptime"] -= 5000


@breaks("MSG-02")
def heartbeat_left_out(tale: Tale) -> None:
    tale.drop(lambda one: one.message == "fault" and one.node == "north" and 20e6 < one.at_us < 24e6)


@breaks("MSG-02")
def node_falls_silent(tale: Tale) -> None:
    tale.drop(lambda one: one.node == "ferry" and one.message != "job-order" and one.at_us > 50e6)


@breaks("MSG-03")
def node_status_left_out(tale: Tale) -> None:
    tale.drop(lambda one: one.message == "node-status" and one.node == "north" and 20e6 < one.at_us < 45e6)


@breaks("MSG-04")
def boot_of_before_again(tale: Tale) -> None:
    for one in list(tale.where("ferry", "fault"))[5:8]:
        one.body["boot"] = (one.body["boot"] + 1) % 65536


@breaks("LNK-09")
def link_jumps(tale: Tale) -> None:
    for one in list(tale.where("ferry", "node-status"))[4:]:
        one.body["link"] += 2


@breaks("ORD-08")
def mark_falls(tale: Tale) -> None:
    tale.last("north", "crane-status").body["mark"] -= 1


# ------------------------------------------------------------------------------------------ states
@breaks("CRN-02")
def ready_without_homing(tale: Tale) -> None:
    for one in tale.where("north", "crane-status", mode="homing"):
        one.body["mode"] = "working"


@breaks("BER-02")
def leaves_before_it_has_come(tale: Tale) -> None:
    tale.first("siding", "train-arrival", state="armed").body["state"] = "leaving"


@breaks("SHT-02")
def moves_from_lost(tale: Tale) -> None:
    for one in tale.where("ferry", "shuttle-status", state="at-place", stop=1):
        one.body["state"] = "moving"
        del one.body["place"]


@breaks("CRN-01")
def comes_up_ready(tale: Tale) -> None:
    tale.first("north", "crane-status", mark=0).body["mode"] = "ready"


@breaks("BER-01")
def comes_up_empty(tale: Tale) -> None:
    tale.first("siding", "train-arrival", mark=0).body["state"] = "empty"


@breaks("SHT-01")
def comes_up_moving(tale: Tale) -> None:
    tale.first("ferry", "shuttle-status", mark=0).body["state"] = "moving"


@breaks("BER-06")
def arrival_counts_twice(tale: Tale) -> None:
    for one in tale.where("siding", "train-arrival", arrival=1):
        one.body["arrival"] = 2


@breaks("SHT-05")
def stop_counts_twice(tale: Tale) -> None:
    for one in list(tale.where("ferry", "shuttle-status")):
        if one.body["stop"] >= 2:
            one.body["stop"] += 1


@breaks("CRN-11")
def ready_beside_its_target(tale: Tale) -> None:
    one = tale.first("north", "crane-status", mode="ready", job_state="done", load="none")
    working = [x for x in tale.where("north", "crane-status", mode="working") if x.at_us > one.at_us]
    end = next(x for x in tale.where("north", "crane-status", mode="ready") if x.at_us > working[0].at_us)
    end.body["axes"][0][0] += 7


@breaks("CRN-12")
def opens_in_the_air(tale: Tale) -> None:
    step = tale.first("north", "job-report", step="travel-to-drop")
    one = next(x for x in tale.where("north", "crane-status", load="box") if x.at_us > step.at_us)
    tale.after(one, spreader="open")


@breaks("CRN-12")
def releases_above_the_slot(tale: Tale) -> None:
    step = tale.first("north", "job-report", step="release")
    one = next(x for x in tale.where("north", "crane-status") if x.at_us >= step.at_us)
    assert one.body["spreader"] == "moving"
    one.body["axes"][-1][0] -= 40


@breaks("HLD-01")
def held_without_counting(tale: Tale) -> None:
    tale.last("siding", "train-arrival").body["held"] = True


@breaks("FLT-01")
def fault_count_jumps(tale: Tale) -> None:
    tale.last("north", "fault").body["faults"] += 2


@breaks("FLT-03")
def warning_counts(tale: Tale) -> None:
    tale.last("north", "fault").body.update(
        active=["bad-message"], changed="bad-message", level="warn", faults=1
    )


@breaks("FLT-02")
def halt_does_not_count(tale: Tale) -> None:
    tale.last("north", "fault").body.update(active=["axis-stuck"], changed="axis-stuck", level="halt")
