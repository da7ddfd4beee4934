"""What is nobody's fault breaks no rule over many messages: losses, repeats, gaps, wraps, late messages."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from protocol.recording import EventKind, RecordedEvent, RecordedMessage
from protocol.rules import RuleMonitor, watch
from protocol.specification import specification
from tests.rules_over_messages.bends import BENT
from tests.rules_over_messages.bends_of_nodes import node_falls_silent
from tests.rules_over_messages.bent import SITE, Said, Tale, good_tale


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
