"""What comes a second time in a life, round the end of a count or by reports alone; and a refusal: it moves nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from conformance.oracle.link_log import Message
from conformance.peers.node import SimulatedNode
from conformance.suite.cases.supervisor.work import (
    JOB_MS,
    SHORT_MS,
    audible,
    names_what_stands,
    no_transfer_at_a_lost_train,
    taking,
)
from conformance.suite.supervisor_fixture import QUIET_MS, SupervisorFixture, supervised
from protocol.counting import UPTIME_MODULUS, uptime_difference
from protocol.specification import OPEN

LATE_MS = 20_000
"""How long a train takes that comes only when the box has been at the other end of the line for some time."""
WRAP_MS = 9_000
"""After so long uptimes go round: in the middle of the first jobs."""
LONGER = (1, 2, 4)
"""So many times as long, where on a slow or lossy link no train has come by then."""


@supervised("SUP-13", after=("supervisor-works",))
def supervisor_second_arrival(fixture: SupervisorFixture) -> None:
    """A transfer names the newest arrival and its reading, in the second arrival of a life as in the first.

    The train has come to rest; while the shuttle is on its way the berth loses it. A person answers that the track is
    empty, and the train is let in again: it comes to rest elsewhere. The transfer names that arrival.
    """
    route = fixture.route
    fixture.begin(
        {route.berth: taking(SHORT_MS), route.shuttle: taking(JOB_MS)}, replace(fixture.brief, answers=True)
    )
    first = fixture.await_word(route.berth, "train-arrival", {"state": "at-rest"})
    fixture.await_order(route.shuttle, "run")
    fixture.yard.disturb(route.berth, SimulatedNode.lose_track)
    lost = fixture.await_word(route.berth, "train-arrival", {"state": "lost"}, after=first.number)
    again = fixture.await_word(route.berth, "train-arrival", {"state": "at-rest"}, after=lost.number)
    fixture.need(again.body["arrival"] != first.body["arrival"], "no train was let in again")
    _transfer_names(fixture, route.second, again)


@supervised("SUP-13", after=("supervisor-works",))
def supervisor_back_at_a_stop(fixture: SupervisorFixture) -> None:
    """A transfer at a shuttle names the newest stop, where it has come to one place again as at its first time there.

    The shuttle stands under the second crane, and the train is still to come. The shuttle loses its place; a person
    answers that it is at its first stop, and it is sent to the crane again. The transfer names that stop.
    """
    route = fixture.route
    fixture.begin({route.berth: taking(LATE_MS)}, replace(fixture.brief, answers=True))
    run = fixture.await_order(route.shuttle, "run")
    fixture.await_word(route.shuttle, "job-report", {"id": run.body["id"], "state": "done"})
    first = fixture.await_word(route.shuttle, "shuttle-status", {"place": run.body["to"]}, after=run.number)
    fixture.yard.disturb(route.shuttle, SimulatedNode.lose_track)
    lost = fixture.await_word(route.shuttle, "shuttle-status", {"state": "lost"}, after=first.number)
    at = {"state": "at-place", "place": run.body["to"]}
    again = fixture.await_word(route.shuttle, "shuttle-status", at, after=lost.number)
    _transfer_names(fixture, route.second, again)


def _transfer_names(fixture: SupervisorFixture, crane: str, behind: Message) -> None:
    """Demand that the next transfers of a crane name what stands there now [SUP-13]."""
    fixture.await_order(crane, "transfer", after=behind.number)
    for order in fixture.orders():
        if order.act == "transfer" and order.starts and order.message.number > behind.number:
            for end in ("from", "to"):
                names_what_stands(fixture, order, str(order.body.get(end, "")))


@supervised("SUP-18", "SUP-13", after=("supervisor-train-lost",))
def supervisor_uptime_wraps(fixture: SupervisorFixture) -> None:
    """The uptime of a node goes round to 0, and its words behind that are the newer ones.

    The berth has been on for 49 days. Its uptime goes round with a train at rest, and it loses the train behind that:
    no crane is sent there. In a second life that of every node goes round while the first jobs are at work. Deadlines
    lie no further ahead of the newest uptime than ever.
    """
    _train_lost_behind_the_wrap(fixture)
    fixture.begin(dict.fromkeys(fixture.yard.nodes, _wrapping(fixture)))
    fixture.await_order(fixture.route.berth, "depart")
    lead_ms = fixture.spec.most_ms("order_lead")
    for order in fixture.orders():
        if order.starts and order.body["boot"] == order.known.boot:
            ahead = uptime_difference(order.body["deadline"], order.known.uptime)
            seen = f"{ahead} ms ahead of uptime {order.known.uptime}"
            fixture.check(ahead <= lead_ms, "SUP-18", f"at most {lead_ms} ms ahead", seen, order.message)


def _train_lost_behind_the_wrap(fixture: SupervisorFixture) -> None:
    route = fixture.route
    for longer in LONGER:
        fixture.begin({route.berth: _soon_wrapping(fixture, longer), route.shuttle: taking(LATE_MS * longer)})
        at_rest = fixture.await_word(route.berth, "train-arrival", {"state": "at-rest"})
        if in_time := at_rest.body["uptime"] > UPTIME_MODULUS // 2:
            break
    fixture.need(in_time, "the train came behind the wrap")
    run = fixture.await_order(route.shuttle, "run")
    end = f"/{route.berth}/train-arrival"
    gone_round = fixture.wait_for(
        lambda m: not m.from_node and m.topic.endswith(end) and m.body.get("uptime", UPTIME_MODULUS) < LATE_MS,
        fixture.stretched(WRAP_MS * longer) + fixture.limit_ms("state_silence"),
        at_rest.number,
    )  # fmt: skip
    fixture.need(gone_round is not None, "the berth said nothing behind the wrap")
    no_transfer_at_a_lost_train(fixture, run, at_rest)


def _soon_wrapping(fixture: SupervisorFixture, longer: int) -> Callable[[SimulatedNode], None]:
    """A berth whose uptime goes round once its train, which is at rest soon after admit, has been so for a while."""
    wraps = _wrapping(fixture, longer)

    def prepare(node: SimulatedNode) -> None:
        wraps(node)
        node.disturbances.job_ms = SHORT_MS

    return prepare


def _wrapping(fixture: SupervisorFixture, longer: int = 1) -> Callable[[SimulatedNode], None]:
    left_ms = round(fixture.stretched(WRAP_MS * longer))

    def prepare(node: SimulatedNode) -> None:
        node.near_wrap(node.now_ms, left_ms)

    return prepare


@supervised("SUP-16", "SUP-22", after=("supervisor-works",))
def supervisor_refused(fixture: SupervisorFixture) -> None:
    """A job that was refused as 'busy' has moved nothing, and ends nothing that waits for its end.

    The first transfer of a crane is refused. No yard-map shows the box at its target, and nothing starts that needs it
    there, before a transfer has brought it.
    """
    route = fixture.route

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.refuses = {"transfer": "busy"}

    fixture.begin({route.first: prepare})
    order = fixture.await_order(route.first, "transfer")
    refused = fixture.await_word(route.first, "job-report", {"id": order.body["id"], "state": "refused"})
    fixture.watch(fixture.stretched(QUIET_MS))
    end = _brought(fixture, refused.number)
    early = [one for one in fixture.maps(route.deck, order.number) if route.box in one.body["slots"]]
    fixture.none(
        (one for one in early if one.number < end), "SUP-22", f"no yard-map with the box at {route.deck}",
        lambda one: one.body["slots"],
    )  # fmt: skip
    waiting = {fixture.topic(route.shuttle), fixture.topic(route.second)}
    begun = [one for one in fixture.jobs_since(order.number) if one.topic in waiting and one.number < end]
    fixture.none(begun, "SUP-16", "nothing that needs the box there", lambda one: one.body["act"])


def _brought(fixture: SupervisorFixture, after: int) -> int:
    """The trace of the first word of the first crane that a transfer has brought the box; behind all where none has."""
    end = f"/{fixture.route.first}/job-report"
    done = {"act": "transfer", "state": "done"}
    found = (
        one.number
        for one in fixture.log.since(after)
        if not one.from_node and one.topic.endswith(end) and done.items() <= one.body.items()
    )
    return next(found, fixture.log.end + 1)


@supervised("SUP-17", "SUP-22", after=("supervisor-works",))
def supervisor_box_by_report(fixture: SupervisorFixture) -> None:
    """Where a box is told by reports alone, they are believed: a box in the spreader is in no slot.

    What a crane says of its own state is lost while it has a job. In the first life its report says that the transfer
    is done: the yard-maps show the box where it is now. In the second the job fails with the box in the spreader: by
    no yard-map is the box in its stack, and no order names it there.
    """
    route = fixture.route
    fixture.begin({route.first: _by_report})
    order = fixture.await_order(route.first, "transfer")
    done = fixture.await_word(route.first, "job-report", {"id": order.body["id"], "state": "done"})
    fixture.watch(fixture.limit_ms("order_repeat"))
    there = [one.body["slots"] for one in fixture.maps(route.deck, done.number)]
    shown = any(route.box in slots for slots in there)
    fixture.check(shown, "SUP-22", f"a yard-map of {route.deck} with the box", there or "none")
    fixture.begin({route.first: _by_report})
    order = fixture.await_order(route.first, "transfer")
    id_ = order.body["id"]
    fixture.await_word(route.first, "job-report", {"id": id_, "state": "running", "load": "box"})
    fixture.yard.disturb(route.first, SimulatedNode.lose_track)
    failed = fixture.await_word(route.first, "job-report", {"id": id_, "state": "failed", "load": "box"})
    fixture.yard.disturb(route.first, audible)
    fixture.watch(fixture.stretched(QUIET_MS))
    known_from = fixture.known_from(failed)
    shown_there = fixture.maps(route.stack, fixture.runs[-1].after)[-1:]
    fixture.none(
        (one for one in shown_there if route.box in one.body["slots"]), "SUP-17",
        f"a box that hangs in a spreader not in {route.stack}", lambda one: one.body["slots"],
    )  # fmt: skip
    named = [one for one in fixture.jobs_since(known_from) if one.body.get("from") == route.stack]
    fixture.none(named, "SUP-17", f"no order that takes it from {route.stack}", lambda one: dict(one.body))


def _by_report(node: SimulatedNode) -> None:
    def says(message: str, _body: Any) -> bool:
        return message != "crane-status" or node.job is None or node.job.state not in OPEN

    node.disturbances.says, node.disturbances.job_ms = says, JOB_MS
