"""What a silence, or a late word of an old boot, must not be taken for: nothing is started, and it is asked again."""

from __future__ import annotations

from typing import Any

from conformance.oracle.link_log import Message
from conformance.peers.node import SimulatedNode
from conformance.suite.cases.supervisor.start import still_repeated
from conformance.suite.cases.supervisor.work import audible, none_beside, taking
from conformance.suite.supervisor_fixture import QUIET_MS, SupervisorFixture, supervised

LONG_MS, JUST_AFTER_MS = 20_000, 200
BACK_MS, MUTE_MS = 1_500, 3_000


@supervised("SUP-21", after=("supervisor-works",))
def supervisor_silence(fixture: SupervisorFixture) -> None:
    """Nothing is started at a node that has fallen silent, nor next to it.

    The second crane says its last while the first one works, and that job ends just after its word has become
    too old. The shuttle and the train that it reaches stay where they are then.
    """
    route = fixture.route
    silence_ms = fixture.spec.most_ms("state_silence")
    fixture.begin({route.first: taking(silence_ms + JUST_AFTER_MS)})
    fixture.await_job(route.first, "transfer")
    fixture.yard.disturb(route.second, SimulatedNode.fall_silent)
    fixture.await_word(route.first, "job-report", {"act": "transfer", "state": "done"})
    fixture.watch(fixture.stretched(QUIET_MS))
    heard_lately(fixture)


@supervised("SUP-27", "SUP-05", after=("supervisor-works",))
def supervisor_asks_after_silence(fixture: SupervisorFixture) -> None:
    """After a silence a node gets nothing but asks, a repeat neither, until it has answered one.

    The first crane falls silent in the middle of its job, and is heard again some seconds later; its answers are
    lost for some seconds more. The open order may be repeated only after an answer, and has to be then.
    """
    name, silence_ms = fixture.route.first, fixture.spec.most_ms("state_silence")
    fixture.begin({name: taking(LONG_MS)})
    order = fixture.await_job(name, "transfer")
    fixture.yard.disturb(name, SimulatedNode.fall_silent)
    fixture.watch(silence_ms + fixture.stretched(BACK_MS))
    fixture.yard.disturb(name, _back_and_mute)
    fixture.watch(fixture.stretched(MUTE_MS))
    fixture.yard.disturb(name, audible)
    fixture.need(fixture.minds_doubt("SUP-27") > 0, f"the supervisor sent {name} nothing, no ask either")
    goes_on = fixture.wait_for(
        lambda m: m.from_node and m.topic == fixture.topic(name)
        and (m.body == order.body or (m.body.get("act") == "claim" and m.body["id"] > order.body["id"])),
        fixture.limit_ms("order_repeat") * 2 + fixture.limit_ms("answer"),
        fixture.log.end,
    )  # fmt: skip
    fixture.check(
        goes_on is not None, "SUP-05", "the open transfer repeated or given up", "neither, after its answer"
    )
    fixture.minds_doubt("SUP-27")


def _back_and_mute(node: SimulatedNode, now_ms: int) -> Any:
    node.disturbances.says = lambda message, body: not (message == "job-report" and body["act"] == "ask")
    return node.wake(now_ms)


@supervised("SUP-28", after=("supervisor-works",))
def supervisor_late_boot(fixture: SupervisorFixture) -> None:
    """What an old boot of a node said and what comes late undoes nothing of the new one.

    In the middle of a crane's job its last words of the boot before come, as they may on another topic. The
    supervisor asks who is there, sends that crane nothing else until it has answered, claims nothing in that
    boot, and goes on with the open order.
    """
    fixture.begin({fixture.route.first: taking(LONG_MS)})
    order = late_words_undo_nothing(fixture, fixture.route.first)
    none_beside(fixture, fixture.route.first, order, "SUP-28")


def late_words_undo_nothing(fixture: SupervisorFixture, name: str) -> Message:
    """Once a crane is at a transfer, what it said last in the boot before comes late: demand what SUP-28 says of it.

    Gives the transfer, which is open still.
    """
    order = fixture.await_job(name, "transfer")
    old = (fixture.yard.nodes[name].boot - 1) % 65536
    before = fixture.log.end
    late = fixture.let_hear(
        name,
        lambda node, now_ms: node.say_of_boot(now_ms, old),
        lambda m: m.body.get("boot") == old,
        "an old word",
    )
    still_repeated(fixture, name, order, "SUP-28")
    claims = [one for one in fixture.sent_to(name, {"claim"}, after=before) if one.body["boot"] == old]
    fixture.none(claims, "SUP-28", "no claim in the old boot", lambda one: dict(one.body))
    fixture.minds_doubt("SUP-28")
    seen = fixture.sent_to(name, {"ask"}, after=late.number)
    fixture.check(bool(seen), "SUP-28", f"an ask to {name}", "none: it takes no notice of another boot")
    return order


def heard_lately(fixture: SupervisorFixture, *, all_runs: bool = False) -> None:
    """Demand of every job that its node, and all next to it, had been heard in time [SUP-21]."""
    limit_ms = fixture.spec.most_ms("state_silence")
    for order in fixture.orders(all_runs=all_runs):
        if not order.starts:
            continue
        for name in (order.node, *fixture.beside(order.node)):
            heard_ms = order.all_known[name].heard_ms
            age_ms = float("inf") if heard_ms is None else order.message.at_ms - heard_ms
            seen = f"{order.act} to {order.node}, {age_ms / 1000:.1f} s after the last word of {name}"
            span = order.message.at_ms if heard_ms is None else heard_ms, order.message.at_ms
            expected = f"nothing started beside {name}"
            fixture.in_time(age_ms <= limit_ms, span, "SUP-21", expected, seen, order.message)
