"""Every rule over many messages: silent on a good run, and heard on the same run with one thing bent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from examples.yard_on_virtual_time import run
from protocol.recording import EventKind, RecordedEvent, RecordedMessage, RecordingReader
from protocol.rules import RuleMonitor, watch
from protocol.specification import specification
from tests.rules_over_messages.bent import SITE, Said, Tale, good_tale

Bend = Callable[[Tale], object]
BENT: list[tuple[str, Bend]] = []


def breaks(requirement: str) -> Callable[[Bend], Bend]:
    """The requirement that a bend breaks."""

    def enter(bend: Bend) -> Bend:
        BENT.append((requirement, bend))
        return bend

    return enter


@pytest.mark.parametrize("with_site", [True, False])
def test_a_good_run_breaks_nothing(with_site: bool) -> None:
    assert good_tale().breaches(site=with_site) == []


@pytest.mark.parametrize("seed", range(3))
def test_loss_at_qos_0_accuses_nobody(tmp_path: Path, seed: int) -> None:
    """One message in twenty is lost on each leg: what follows from that is noted and no breach."""
    path = tmp_path / "lossy.ywrec"
    run(path, seed=seed, loss=0.05)
    with path.open("rb") as file:
        found = list(watch(RecordingReader(file), SITE))
    assert [str(one) for one in found if not one.note] == []
    assert any(one.requirement == "MSG-07" for one in found)


# ------------------------------------------------------------------------------------------ counts
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


# ------------------------------------------------------------------------------------------ orders and reports
@breaks("ORD-01")
def no_answer(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    tale.drop(
        lambda one: (
            one.message in ("job-report", "job-order")
            and one.node == "north"
            and one.body.get("id") == order.body["id"]
            and one is not order
        )
    )


@breaks("ORD-01")
def no_answer_to_a_resume_said_twice(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="resume")
    tale.drop(lambda one: one.message == "job-report" and one.body.get("id") == order.body["id"])
    tale.after(order).at_us += 300_000
    tale.said.sort(key=lambda one: one.at_us)


@breaks("ORD-14")
def report_without_order(tale: Tale) -> None:
    report = tale.last("north", "job-report", act="transfer")
    tale.after(report, id=report.body["id"] + 50)


@breaks("ORD-14")
def report_of_another_act(tale: Tale) -> None:
    tale.first("north", "job-report", act="transfer").body["act"] = "park"


@breaks("ORD-06")
def done_again(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", state="done")
    tale.after(report, state="running", step="travel-to-pick")


@breaks("ORD-15")
def done_then_failed(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", state="done")
    tale.after(report, state="failed", reason="fault")


@breaks("ORD-15")
def running_then_accepted(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", step="grip")
    tale.after(report, state="accepted")


@breaks("ORD-05")
def obeys_an_order_of_another_boot(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="home")
    for one in tale.where("north", "job-order", id=order.body["id"]):
        one.body["boot"] ^= 1
    for one in tale.where("north", "job-report", id=order.body["id"]):
        one.body["order_boot"] ^= 1


@breaks("ORD-10")
def takes_a_late_job(tale: Tale) -> None:
    for one in tale.where("north", "job-order", act="transfer"):
        one.body["deadline"] -= 25_000


@breaks("ORD-12")
def two_jobs_at_once(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    second = tale.after(order, id=order.body["id"] + 1, act="park")
    for name in ("from", "from_slot", "to", "to_slot", "box", "stop", "shuttle_boot"):
        del second.body[name]
    running = tale.first("north", "job-report", act="transfer", state="running")
    taken = tale.after(running, id=second.body["id"], act="park", state="accepted")
    for name in ("box", "step"):
        del taken.body[name]


@breaks("HLD-03")
def takes_a_job_while_held(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    for one in tale.where("north", "crane-status"):
        if order.at_us - 3e6 < one.at_us < order.at_us + 1e6:
            one.body.update(held=True, holds=1)


# ------------------------------------------------------------------------------------------ the supervisor
@breaks("SUP-01")
def orders_beyond_its_claim(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    for one in tale.said:
        for name in ("id", "job"):
            if one.node == "north" and one.body.get(name) == order.body["id"] and one is not order:
                one.body[name] += 300
    order.body["id"] += 300


@breaks("SUP-03")
def claims_an_odd_id(tale: Tale) -> None:
    tale.first("north", "job-order", act="claim").body["id"] += 1


@breaks("SUP-04")
def one_id_for_two_orders(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    tale.after(order, to_slot=1)


@breaks("SUP-04")
def ids_go_down(tale: Tale) -> None:
    order = tale.last("north", "job-order", act="transfer")
    claim = tale.first("north", "job-order", act="claim")
    report = tale.last("north", "job-report", act="transfer", state="done")
    late = tale.after(report)
    tale.said.remove(late)
    late.message, late.body = "job-order", dict(order.body, id=claim.body["id"] + 1)
    tale.first("north", "job-order", act="home").body["id"] = claim.body["id"] + 2
    tale.said.insert(tale.said.index(report) + 1, late)


@breaks("SUP-05")
def repeats_what_is_done(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="home")
    place = next(index for index, one in enumerate(tale.said) if one.at_us > 40e6)
    late = type(order)(tale.said[place].at_us, "north", "job-order", "", dict(order.body), order.encoding)
    tale.said.insert(place, late)


@breaks("SUP-06")
def uses_a_token_again(tale: Tale) -> None:
    ask = tale.first("north", "job-order", act="ask")
    place = next(index for index, one in enumerate(tale.said) if one.at_us > 40e6)
    tale.said.insert(
        place, type(ask)(tale.said[place].at_us, "south", "job-order", "", dict(ask.body), ask.encoding)
    )


@breaks("SUP-07")
def orders_below_the_mark(tale: Tale) -> None:
    order = tale.last("north", "job-order", act="transfer")
    for one in tale.said:
        if one.node == "north" and one.at_us > order.at_us - 9e6 and "mark" in one.body:
            one.body["mark"] = 9 << 20


@breaks("SUP-12")
def train_leaves_under_the_crane(tale: Tale) -> None:
    depart = tale.first("siding", "job-order", act="depart")
    tale.said.remove(depart)
    step = tale.last("south", "job-report", step="lower-to-drop")
    depart.at_us = step.at_us
    tale.said.insert(tale.said.index(step) + 1, depart)


@breaks("SUP-13")
def order_to_a_departed_train(tale: Tale) -> None:
    leaving = tale.first("siding", "train-arrival", state="leaving")
    order = tale.first("south", "job-order", act="transfer")
    late = type(order)(
        leaving.at_us + 1000,
        "south",
        "job-order",
        "",
        dict(order.body, id=order.body["id"] + 9),
        order.encoding,
    )
    tale.said.insert(tale.said.index(leaving) + 1, late)


@breaks("SUP-13")
def order_by_another_reading(tale: Tale) -> None:
    for one in tale.where("south", "job-order", act="transfer"):
        one.body["reading"] += 5


@breaks("SUP-13")
def order_at_a_stop_of_before(tale: Tale) -> None:
    for one in tale.where("north", "job-order", act="transfer"):
        one.body["stop"] += 1


@breaks("SUP-15")
def runs_a_bench_node(tale: Tale) -> None:
    for one in tale.where("south", "node-status"):
        one.body["bench"] = True


@breaks("SUP-17")
def box_on_two_maps(tale: Tale) -> None:
    for one in tale.where("yard", "yard-map"):
        if one.place == "stack-s":
            one.body["slots"][0] = "C-100"


@breaks("SUP-17")
def box_from_where_it_is_not(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", state="done")
    order = tale.first("north", "job-order", act="transfer")
    late = type(order)(
        report.at_us + 1000,
        "north",
        "job-order",
        "",
        dict(order.body, id=order.body["id"] + 9),
        order.encoding,
    )
    tale.said.insert(tale.said.index(report) + 1, late)


@breaks("SUP-18")
def deadline_far_ahead(tale: Tale) -> None:
    for one in tale.where("north", "job-order", act="transfer"):
        one.body["deadline"] += 20_000


@breaks("CRN-10")
def done_with_a_box(tale: Tale) -> None:
    tale.first("north", "job-report", act="transfer", state="done").body["load"] = "box"


@breaks("CRN-10")
def reports_another_box(tale: Tale) -> None:
    tale.first("north", "job-report", act="transfer", step="lift").body["box"] = "C-999"


@pytest.mark.parametrize(("requirement", "bend"), BENT, ids=[f"{id_}-{bend.__name__}" for id_, bend in BENT])
def test_a_bent_run_is_told(requirement: str, bend: Bend) -> None:
    tale = good_tale()
    bend(tale)
    assert requirement in specification().requirements
    assert requirement in tale.broken(), [str(one) for one in tale.breaches()]


# ------------------------------------------------------------------------------------------ what is no fault
def test_a_lost_message_is_noted_and_nothing_follows_from_it() -> None:
    tale = good_tale()
    one = tale.first("siding", "train-arrival", state="armed")
    tale.said.remove(one)
    found = list(watch(tale.items(), SITE))
    assert {(one.requirement, one.note) for one in found} == {("MSG-07", True)}


def test_a_second_delivery_is_no_second_message() -> None:
    """QoS 1 may deliver twice, and 1,2,3,2,3,4 is legal: MQTT 3.1.1 section 4.6 with 4.3.2."""
    items = good_tale().items()
    middle = len(items) // 2
    again = [*items[:middle], *items[middle - 6 : middle], *items[middle:]]
    assert [str(one) for one in watch(again, SITE)] == []


def test_a_gap_in_the_recording_accuses_nobody() -> None:
    items = good_tale().items()
    late = [item for item in items if not (15e6 < item.at_us < 40e6)]
    place = next(index for index, item in enumerate(late) if item.at_us >= 40e6)
    late.insert(place, RecordedEvent(15_000_000, EventKind.DISCONNECTED, ""))
    assert [str(one) for one in watch(late, SITE) if not one.note] == []


def test_the_wrap_of_uptime_is_normal() -> None:
    """49.7 days: 2^32 ms [MSG-08]."""
    tale = good_tale()
    for one in tale.said:
        for name in ("uptime", "deadline"):
            if name in one.body:
                one.body[name] = (one.body[name] + (1 << 32) - 30_000) % (1 << 32)
    assert tale.breaches() == []


def test_retained_messages_are_hints_only() -> None:
    items = good_tale().items()
    old = [item._replace(retain=True, at_us=0) for item in items if isinstance(item, RecordedMessage)][-40:]
    assert [str(one) for one in watch([*old, *items], SITE)] == []


def test_live_and_from_a_file_are_one_engine() -> None:
    tale = good_tale()
    node_falls_silent(tale)
    judge = RuleMonitor(SITE)
    live = [one for item in tale.items() for one in judge.take(item)]
    assert live == list(watch(tale.items(), SITE))
    assert judge.look(10**9)


@pytest.mark.slow
def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    """The same run twelve times over, against twice: what is kept stays within a bound."""
    import tracemalloc

    run = good_tale().items()

    def size(times: int) -> int:
        judge = RuleMonitor(SITE)
        tracemalloc.start()
        for round_ in range(times):
            for item in run:
                judge.take(
                    item._replace(at_us=item.at_us + round_ * 10**8)
                    if isinstance(item, RecordedMessage)
                    else item
                )
        current, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return current

    size(1)
    few, many = size(2), size(12)
    assert many < 2 * few + 200_000, (few, many)


@pytest.mark.parametrize(("requirement", "supervisor"), [("LNK-09", False), ("SUP-04", True)])
def test_everybody_is_judged_by_the_minor_version_that_they_say(
    requirement: str, supervisor: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if 1.1 had brought the rule: it binds those who say 1.1, whatever others say."""
    rules = specification().requirements
    newer = rules | {requirement: replace(rules[requirement], since=1)}
    monkeypatch.setitem(specification().__dict__, "requirements", newer)
    monkeypatch.setitem(specification().__dict__, "_earlier", {})
    bend = next(bend for broken, bend in BENT if broken == requirement)

    def broken(nodes: int, supervisors: int) -> bool:
        tale = good_tale()
        bend(tale)
        for one in tale.said:
            if "minor" in one.body:
                one.body["minor"] = supervisors if "supervisor" in one.body["roles"] else nodes
        return requirement in tale.broken()

    assert broken(1, 1)
    assert broken(0, 1) is supervisor
    assert broken(1, 0) is not supervisor
    assert not broken(0, 0)


def test_of_whom_no_version_was_heard_only_what_every_version_asks_is_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rules = specification().requirements
    newer = rules | {"SUP-04": replace(rules["SUP-04"], since=1)}
    bend = next(bend for broken, bend in BENT if broken == "SUP-04")
    tale = good_tale()
    bend(tale)
    tale.drop(lambda one: "supervisor" in one.body.get("roles", ()))
    assert "SUP-04" in tale.broken()
    monkeypatch.setitem(specification().__dict__, "requirements", newer)
    monkeypatch.setitem(specification().__dict__, "_earlier", {})
    assert "SUP-04" not in tale.broken()


def moved_to(distance: int) -> Tale:
    """The good run with the first transfer's id that far above the claim before it."""
    tale = good_tale()
    order = tale.first("north", "job-order", act="transfer")
    claim = [one for one in tale.where("north", "job-order", act="claim") if one.at_us < order.at_us][-1]
    old, new = order.body["id"], claim.body["id"] + distance
    for one in tale.said:
        for name in ("id", "job"):
            if one.node == "north" and one.body.get(name) == old:
                one.body[name] = new
    return tale


@pytest.mark.parametrize(("distance", "covered"), [(255, True), (256, False), (257, False)])
def test_a_claim_covers_the_255_ids_above_it(distance: int, covered: bool) -> None:
    """SUP-01: an order beyond them is nobody's, and one of the next claim is another supervisor's."""
    assert ("SUP-01" in moved_to(distance).broken()) is not covered


@pytest.mark.parametrize(("act", "again"), [("home", True), ("home", False)])
def test_what_the_link_delivers_again_is_no_repeat_of_the_supervisors(act: str, again: bool) -> None:
    """DUP marks what MQTT delivers again [MQTT-3.3.1-1]: judged when it came first, and not once more."""
    tale = good_tale()
    order = tale.first("north", "job-order", act=act)
    items = tale.items()
    place = next(at for at, one in enumerate(items) if isinstance(one, RecordedMessage) and one.at_us > 40e6)
    at_us = items[place].at_us
    items.insert(place, order.item()._replace(at_us=at_us, dup=again))
    found = {one.requirement for one in watch(items, SITE) if not one.note}
    assert ("SUP-05" in found) is not again


def test_what_the_link_delivers_again_and_was_never_heard_is_judged() -> None:
    """Where its first delivery was lost, the order counts: its id names another order than one before."""
    tale = good_tale()
    order = tale.first("north", "job-order", act="transfer")
    claim = tale.first("north", "job-order", act="claim")
    items = tale.items()
    place = items.index(order.item())
    order.body |= {"id": claim.body["id"] + 300}
    items.insert(place, order.item()._replace(dup=True))
    assert "SUP-01" in {one.requirement for one in watch(items, SITE) if not one.note}


@pytest.mark.parametrize(("distance", "step"), [(256, ""), (1 << 20, " of another claim number")])
def test_an_order_that_no_claim_covers_is_told_apart_by_its_claim_number(distance: int, step: str) -> None:
    told = [one.what for one in moved_to(distance).breaches() if one.requirement == "SUP-01"]
    assert told
    assert all(f"{step}, which none of its claims covers" in what for what in told)
    assert all("another claim number" in what for what in told) is bool(step)


def test_a_late_message_of_the_old_boot_undoes_nothing() -> None:
    """A crane's last word before its reset comes behind the first of the new boot: it accuses nobody."""
    tale = good_tale()
    for one in tale.said:
        if one.node == "south" and "boot" in one.body and one.message != "job-order":
            one.body["boot"] += one.at_us > tale.said[len(tale.said) // 2].at_us
    before = tale.broken()
    status = [
        one for one in tale.where("south", "crane-status") if one.at_us > tale.said[len(tale.said) // 2].at_us
    ]
    late = tale.after(status[1], mode="working")
    late.body["boot"] -= 1
    monitor = RuleMonitor(SITE)
    for item in tale.items():
        monitor.take(item)
    assert monitor._history.node("south").boot == status[1].body["boot"]
    assert tale.broken() - before <= {"MSG-04", "MSG-07"}, (
        "it is told as what it is, and no rule is judged by it"
    )


def running_transfer(tale: Tale) -> tuple[Said, Said]:
    """A transfer of north, and a report that it is under way."""
    report = tale.first("north", "job-report", act="transfer", state="running")
    return tale.first("north", "job-order", act="transfer", id=report.body["id"]), report


@pytest.mark.parametrize("answer", ["done", "refused"])
def test_a_claim_with_the_id_of_a_running_job_is_another_order(answer: str) -> None:
    """CLM-02, CLM-03: it is answered as a claim is, ends no job, and the job goes on; the id is its sender's fault."""
    tale = good_tale()
    order, report = running_transfer(tale)
    boot, id_ = order.body["boot"], order.body["id"]
    claim = tale.after(report)
    claim.message, claim.body = "job-order", {"act": "claim", "boot": boot, "id": id_, "token": 77}
    told = tale.after(claim)
    told.message, told.body = "job-report", dict(report.body, act="claim", state=answer)
    for name in ("step", "box", "load"):
        told.body.pop(name, None)
    if answer == "refused":
        told.body["reason"] = "stale"
    tale.renumber("north")
    assert tale.broken() == {"SUP-03"}


@pytest.mark.parametrize("act", ["park", "reset-fault"])
def test_another_order_with_the_id_of_a_running_job_is_answered_with_the_state_of_the_job(act: str) -> None:
    """ORD-06: whoever gave one id to two orders is told; the node that answers as it must is not."""
    tale = good_tale()
    order, report = running_transfer(tale)
    second = tale.after(report)
    second.message, second.body = (
        "job-order",
        {name: order.body[name] for name in ("boot", "id", "deadline")} | {"act": act},
    )
    if act == "reset-fault":
        del second.body["deadline"]
        second.body["faults"] = 0
    told = tale.after(second)
    told.message, told.body = "job-report", dict(report.body, act=act)
    for name in ("step", "box", "load"):
        told.body.pop(name, None)
    tale.renumber("north")
    assert tale.broken() == {"SUP-04"}
