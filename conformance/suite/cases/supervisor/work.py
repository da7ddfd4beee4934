"""What goes wrong at work: resets, silence, lost trains, jobs that do not end; and what then must not be done."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.supervisor_knowledge import JudgedOrder
from conformance.oracle.wording import in_words
from conformance.peers.node import SimulatedNode
from conformance.peers.yard import Incident
from conformance.suite.cases.supervisor.boxes import UNSURE, nothing_for
from conformance.suite.cases.supervisor.start import still_repeated
from conformance.suite.supervisor_fixture import QUIET_MS, WORK_MS, SupervisorFixture, supervised
from protocol.site import PlaceKind

JOB_MS, SHORT_MS = 7_000, 600
DUMB_MS = 1_500
GIVES_UP_MS = 30_000


def taking(job_ms: int) -> Any:
    """Prepares a simulated node whose jobs take `job_ms`."""

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.job_ms = job_ms

    return prepare


# ---------------------------------------------------------------- nobody knows how far it came
@supervised("SUP-09", after=("supervisor-works",))
def supervisor_new_boot(fixture: SupervisorFixture) -> None:
    """After a new boot of a crane its open job, its box and all that it reaches are unsure.

    Resets the crane in the middle of its transfer. The transfer is not sent again, nothing is ordered for its
    box, and the yard-maps of all that the crane reaches say 'unsure'.
    """
    name = fixture.route.first
    fixture.begin({name: taking(JOB_MS)})
    order = fixture.await_job(name, "transfer")
    fixture.yard.disturb(name, SimulatedNode.reset)
    told = fixture.await_word(name, "node-status", {"boot": fixture.yard.nodes[name].boot})
    _all_in_doubt(fixture, order, told)


@supervised("SUP-09", after=("supervisor-works",))
def supervisor_wrong_boot(fixture: SupervisorFixture) -> None:
    """The same holds where the new boot shows by 'wrong-boot' first.

    The crane resets, and what it says of itself is lost until a repeat of its transfer has been refused.
    """
    name = fixture.route.first

    def unheard(node: SimulatedNode, now_ms: int) -> Any:
        node.disturbances.says = lambda _message, body: body.get("reason") == "wrong-boot"
        return node.reset(now_ms)

    fixture.begin({name: taking(JOB_MS)})
    order = fixture.await_job(name, "transfer")
    fixture.yard.disturb(name, unheard)
    told = fixture.await_word(name, "job-report", {"reason": "wrong-boot"})
    fixture.yard.disturb(name, audible)
    _all_in_doubt(fixture, order, told)


def audible(node: SimulatedNode, _now_ms: int) -> None:
    """Let everything be heard again that the node says."""
    node.disturbances.says = lambda _message, _body: True


@supervised("SUP-09", after=("supervisor-works",))
def supervisor_stale(fixture: SupervisorFixture) -> None:
    """A refusal as 'stale' does not mean that nothing moved.

    The first answer to a transfer is lost, and its repeat is refused 'stale': for all that the supervisor can
    know the transfer was done long ago.
    """
    name = fixture.route.first

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.refuses = {"transfer": "busy"}
        node.disturbances.says = lambda _message, body: body.get("reason") != "busy"

    fixture.begin({name: prepare})
    told = fixture.await_word(name, "job-report", {"act": "transfer", "reason": "stale"})
    order = fixture.sent_to(name, {"transfer"})[0]
    _all_in_doubt(fixture, order, told)


def _all_in_doubt(fixture: SupervisorFixture, order: Message, told: Message) -> None:
    name = fixture.route.first
    fixture.watch(fixture.stretched(QUIET_MS))
    known_from = fixture.known_from(told)
    repeats = [one for one in fixture.sent_to(name, {"transfer"}, after=known_from) if one.body == order.body]
    fixture.none(repeats, "SUP-09", "the open job not sent again", lambda _one: "a repeat")
    nothing_for(fixture, known_from, "SUP-09")
    crane = fixture.site.nodes[name].crane
    for place in crane.places if crane else ():
        shown = fixture.maps(place, fixture.runs[-1].after)
        if shown:
            slots = shown[-1].body["slots"]
            fixture.check(set(slots) == {UNSURE}, "SUP-09", f"all of {place} unsure", slots, shown[-1])


# ---------------------------------------------------------------- what ends no job
@supervised("SUP-10", after=("supervisor-works",))
def supervisor_off(fixture: SupervisorFixture) -> None:
    """An 'off' ends no job: it may be the will of an old connection that comes late.

    While a crane works, its old will says 'off'. The crane goes on, and its order is still repeated.
    """
    name = fixture.route.first
    fixture.begin({name: taking(JOB_MS)})
    order = fixture.await_job(name, "transfer")
    fixture.let_hear(name, SimulatedNode.say_off, lambda m: m.body.get("state") == "off", "the old 'off'")
    still_repeated(fixture, name, order, "SUP-10")
    none_beside(fixture, name, order, "SUP-10")


@supervised("SUP-16", after=("supervisor-works",))
def supervisor_strange_report(fixture: SupervisorFixture) -> None:
    """A report with another boot or id than the open order's does not end it.

    While a crane works, reports say 'done' of that id in another boot, and of an id that was never sent. The order is
    still repeated, and nothing starts that waits for its end. Which act a report names is left open: a node that gets
    another act under the id of its job answers with the job's state [ORD-06].
    """
    name = fixture.route.first
    fixture.begin({name: taking(JOB_MS + SHORT_MS * 4)})
    order = fixture.await_job(name, "transfer")
    id_, boot = order.body["id"], order.body["boot"]
    done = {"state": "done", "load": "none"}
    for strange in (
        {"id": id_, "order_boot": (boot + 1) % 65536, "act": "transfer"},
        {"id": id_ + 9, "order_boot": boot, "act": "transfer"},
    ):
        body = done | strange
        fixture.let_hear(name, _saying(body), partial(_says, body), "a strange report")
    still_repeated(fixture, name, order, "SUP-16")
    none_beside(fixture, name, order, "SUP-16")


def _says(body: Any, message: Message) -> bool:
    return message.name == "job-report" and bool(body.items() <= message.body.items())


def _saying(body: Any) -> Incident:
    return lambda node, now_ms: node.misreport(now_ms, body)


def none_beside(fixture: SupervisorFixture, name: str, order: Message, requirement: str) -> None:
    """Demand no other job to that crane, nor a run of the shuttle under it, before the order has ended."""
    final = fixture.await_word(name, "job-report", {"id": order.body["id"], "state": "done",
                                                 "order_boot": order.body["boot"], "act": order.body["act"],
                                                 "load": "none"}, after=fixture.log.end)  # fmt: skip
    waiting = (fixture.topic(name), fixture.topic(fixture.route.shuttle))
    early = [
        one for one in fixture.jobs_since(order.number) if one.topic in waiting and one.number < final.number
    ]
    fixture.none(early, requirement, f"nothing new before {name} is done", lambda one: one.body["act"])


@supervised("SUP-08", "SUP-29", after=("supervisor-works",))
def supervisor_gives_up(fixture: SupervisorFixture) -> None:
    """A job is given up only after the answer to a newer claim, and its box is unsure then.

    The transfer is lost on its way, again and again, and so is every report of it. However long that lasts,
    nothing else is started that the transfer could meet, and its box is not ordered about, before a newer claim
    is answered; after that the box is unsure, and the order is not repeated.
    """
    route = fixture.route

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.hears = lambda order: order["act"] != "transfer"

    fixture.begin({route.first: prepare})
    order = fixture.await_order(route.first, "transfer")
    claim = fixture.wait_for(
        lambda m: _newer_claim(m, route.first, order.body["id"]), fixture.stretched(GIVES_UP_MS), order.number
    )
    if claim is None:
        still_repeated(fixture, route.first, order, "SUP-08")
    else:
        fixture.watch(fixture.stretched(QUIET_MS))
        again = fixture.sent_to(route.first, {"transfer"}, after=fixture.known_from(claim))
        repeats = [one for one in again if one.body == order.body]
        fixture.none(repeats, "SUP-29", "no repeat of what was given up", lambda _one: "a repeat")
    meeting = (fixture.topic(route.first), fixture.topic(route.shuttle))
    beside = [
        one
        for one in fixture.jobs_since(order.number)
        if one.topic in meeting and (claim is None or one.number < claim.number)
    ]
    expected = "no job beside the one that may still be obeyed"
    fixture.none(beside, "SUP-08", expected, lambda one: one.body["act"])
    nothing_for(fixture, order.number, "SUP-08")


def _newer_claim(message: Message, node: str, id_: int) -> bool:
    body = message.body
    answered = message.topic.endswith(f"/{node}/job-report") and body.get("act") == "claim"
    return not message.from_node and answered and body["id"] > id_ and body["mark"] == body["id"]


# ---------------------------------------------------------------- machines that could meet
@supervised("SUP-12", after=("supervisor-works",))
def supervisor_crane_busy(fixture: SupervisorFixture) -> None:
    """No train and no shuttle is moved while a crane that reaches it works, whoever ordered that.

    The second crane is still at a job of the supervisor before. Until it has said, after the claim, that the
    job is over, neither the train nor the shuttle may be moved.
    """

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.job_ms = JOB_MS
        node.busy_from_before(node.now_ms)

    fixture.begin({fixture.route.second: prepare})
    fixture.await_order(fixture.route.berth, "admit")
    clear_of_cranes(fixture)


@supervised("SUP-12", after=("supervisor-crane-busy",))
def supervisor_job_slips_in(fixture: SupervisorFixture) -> None:
    """Only a word that is newer than the claim shows that a crane has no job.

    The second crane answers the ask with no job open. Just before the claim an old order reaches it, and its
    state gets through only later. Until then neither train nor shuttle may be moved.
    """

    def prepare(node: SimulatedNode) -> None:
        def slip_in(order: Any) -> None:
            if order["act"] == "claim":
                dumb_until_ms = node.now_ms + DUMB_MS
                node.disturbances.before = lambda _order: None
                node.disturbances.says = lambda message, _body: (
                    message != "crane-status" or node.now_ms >= dumb_until_ms
                )
                node.busy_from_before(node.now_ms)

        node.disturbances.job_ms, node.disturbances.before = JOB_MS, slip_in

    fixture.begin({fixture.route.second: prepare})
    fixture.await_order(fixture.route.berth, "admit")
    clear_of_cranes(fixture)


def clear_of_cranes(fixture: SupervisorFixture, *, all_runs: bool = False) -> None:
    """Demand of every admit, depart and run that no crane that reaches there can have a job [SUP-12]."""
    for order in fixture.orders(all_runs=all_runs):
        if order.starts and order.act in ("admit", "depart", "run"):
            for crane in fixture.beside(order.node):
                why = fixture.may_work(order, crane)
                fixture.check(not why, "SUP-12", f"{crane} known to have no job", why, order.message)


@supervised("SUP-13", after=("supervisor-works",))
def supervisor_train_lost(fixture: SupervisorFixture) -> None:
    """No crane is sent to a train that is not at rest by the berth's newest word.

    The train has come to rest; while the shuttle is on its way the berth loses it. The reading that the
    supervisor has heard is worth nothing then, and no transfer to or from that track may come.
    """
    route = fixture.route
    fixture.begin({route.berth: taking(SHORT_MS), route.shuttle: taking(JOB_MS)})
    fixture.await_word(route.berth, "train-arrival", {"state": "at-rest"})
    run = fixture.await_order(route.shuttle, "run")
    no_transfer_at_a_lost_train(fixture, run, run)


def no_transfer_at_a_lost_train(fixture: SupervisorFixture, run: Message, after: Message) -> None:
    """The berth loses its train behind the message `after`: once `run` has ended, nobody is sent there [SUP-13]."""
    route = fixture.route
    fixture.yard.disturb(route.berth, SimulatedNode.lose_track)
    lost = fixture.await_word(route.berth, "train-arrival", {"state": "lost"}, after=after.number)
    fixture.await_word(route.shuttle, "job-report", {"id": run.body["id"], "state": "done"})
    fixture.watch(fixture.stretched(QUIET_MS))
    there = [
        one
        for one in fixture.jobs_since(fixture.known_from(lost))
        if route.track in (one.body.get("from"), one.body.get("to"))
    ]
    fixture.none(there, "SUP-13", "no transfer at a train that is lost", lambda one: dict(one.body))


def names_what_stands(fixture: SupervisorFixture, order: JudgedOrder, name: str) -> None:
    """Demand of a transfer that it names what stands at a place of a berth or shuttle by its newest word [SUP-13]."""
    place = fixture.site.places.get(name)
    if place is None or not place.node:
        return
    track = place.kind == PlaceKind.TRACK
    message, state = ("train-arrival", "at-rest") if track else ("shuttle-status", "at-place")
    word = order.all_known[place.node].word(message)
    told = {} if word is None else word.body
    fixture.check(
        told.get("state") == state, "SUP-13", f"{place.node} {state!r} by its newest word",
        told.get("state", "no word after the claim"), order.message,
    )  # fmt: skip
    words = {"reading": "reading", "arrival": "arrival", "berth_boot": "boot"}
    words = words if track else {"stop": "stop", "shuttle_boot": "boot"}
    expected = {key: told[field] for key, field in words.items()}
    named = {key: order.body.get(key) for key in words}
    fixture.check(named == expected, "SUP-13", in_words(expected), named, order.message)


@supervised("SUP-19", after=("supervisor-works",))
def supervisor_lost_track(fixture: SupervisorFixture) -> None:
    """A person is sent to a lost track only when no crane that reaches it has a job.

    The berth is lost, and the crane above it is still at a job of the supervisor before. The person answers
    at once that the track is empty. What the supervisor makes of the answer, a reset-fault, may come only after
    the crane has said, after the claim, that its job is over.
    """
    route = fixture.route

    def busy(node: SimulatedNode) -> None:
        node.disturbances.job_ms = JOB_MS
        node.busy_from_before(node.now_ms)

    def lost(node: SimulatedNode) -> None:
        node.lose_track(node.now_ms)

    fixture.begin({route.second: busy, route.berth: lost}, replace(fixture.brief, answers=True))
    fixture.await_order(route.berth, "reset-fault", within_ms=WORK_MS)
    for order in fixture.orders():
        if order.node == route.berth and order.act == "reset-fault":
            for crane in fixture.beside(route.berth):
                why = fixture.may_work(order, crane)
                fixture.check(not why, "SUP-19", f"nobody sent under {crane}", why, order.message)


@supervised("SUP-25", after=("supervisor-works",))
def supervisor_holds_for_a_person(fixture: SupervisorFixture) -> None:
    """A person is sent to a lost track only when every node that reaches there says that it is held.

    The berth is lost and nothing works. The person answers at once that the track is empty. What the supervisor
    makes of the answer, a reset-fault, may come only after the berth, and each crane that reaches it, has said
    after the claim that it is held and has no job.
    """
    route = fixture.route

    def lost(node: SimulatedNode) -> None:
        node.lose_track(node.now_ms)

    fixture.begin({route.berth: lost}, replace(fixture.brief, answers=True))
    fixture.await_order(route.berth, "reset-fault", within_ms=WORK_MS)
    held_for_a_person(fixture)


def held_for_a_person(fixture: SupervisorFixture, *, all_runs: bool = False) -> None:
    """Demand of every reset-fault that all that reaches the machine was known to be held and at rest [SUP-25]."""
    for order in fixture.orders(all_runs=all_runs):
        if order.act != "reset-fault" or not order.is_new:
            continue
        for name in (order.node, *fixture.beside(order.node)):
            why = fixture.may_move(order, name)
            fixture.check(not why, "SUP-25", f"{name} known to be held and at rest", why, order.message)
