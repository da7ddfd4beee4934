"""Who may order: what a supervisor needs to know and to own before it starts anything, and when it stops."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from conformance.oracle.link_log import Message
from conformance.peers.node import SimulatedNode
from conformance.suite.cases.supervisor.start import asked_first
from conformance.suite.supervisor_fixture import OWNED_MS, QUIET_MS, SupervisorFixture, supervised
from protocol.counting import CLAIM_STEP
from protocol.participant import Publication

LATE_MS = 6_000
BEFORE_OWNED = ("ask", "claim", "hold")
"""What may be sent to a node that is not owned."""


@supervised("SUP-06", after=("supervisor-asks",))
def supervisor_old_answer(fixture: SupervisorFixture) -> None:
    """An answer to an old ask does not pass for one to the newest.

    The first answers of a crane carry another token than the ask had, as one does that comes late from another
    day. Until an answer with a token of its own has come, the supervisor sends that crane nothing but asks.
    """
    name = fixture.route.first

    def prepare(node: SimulatedNode) -> None:
        until_ms = node.now_ms + LATE_MS
        node.disturbances.token = lambda token: token ^ 1 if node.now_ms < until_ms else token

    fixture.begin({name: prepare})
    fixture.await_order(name, "ask")
    fixture.await_owned(name)
    for order in fixture.orders():
        if order.node == name and not order.known.answered:
            fixture.check(
                order.act in ("ask", "hold"), "SUP-06", "asks until one is answered", order.act, order.message
            )


@supervised("SUP-32", "SUP-01", after=("supervisor-asks",))
def supervisor_half_an_answer(fixture: SupervisorFixture) -> None:
    """An answer counts only with every state message of the node behind the ask.

    For some seconds one state message of a crane is lost whenever it answers, its report with the token never:
    what the crane is at cannot be known then. The supervisor sends it nothing but asks until all have come.
    """
    name = fixture.route.first

    def prepare(node: SimulatedNode) -> None:
        until_ms = node.now_ms + LATE_MS
        node.disturbances.says = lambda message, _body: message != "crane-status" or node.now_ms >= until_ms

    fixture.begin({name: prepare})
    fixture.await_order(name, "ask")
    fixture.await_owned(name)
    asked_first(fixture)


@supervised("SUP-01", after=("supervisor-asks",))
def supervisor_loses_claim(fixture: SupervisorFixture) -> None:
    """A claim that is answered with a higher mark owns nothing.

    Another supervisor's claim reaches a crane just before the first one of this. It is refused, and until a new
    claim is answered with its own id the crane gets nothing but asks and claims.
    """
    name = fixture.route.first

    fixture.begin({name: at_the_next_claim(outrun)})
    claim_lost(fixture, name)


def claim_lost(fixture: SupervisorFixture, name: str) -> None:
    """Demand that nothing but asks and claims goes to a node behind a claim that it has refused [SUP-01]."""
    refused = fixture.await_word(name, "job-report", {"act": "claim", "state": "refused"}, within_ms=OWNED_MS)
    wrong = ordered_unowned(fixture, name, refused)
    fixture.none(wrong, "SUP-01", f"no order to {name}, which it lost", _act)


@supervised("SUP-30", after=("supervisor-asks",))
def supervisor_same_number(fixture: SupervisorFixture) -> None:
    """A claim that is answered 'done' with somebody else's token as claimant owns nothing.

    Another supervisor that drew the same number has claimed a crane just before the first claim of this. The
    mark is the claim's own id then, and only the claimant tells. Until a new claim is answered with its own
    token, the crane gets nothing but asks and claims.
    """
    name = fixture.route.first

    def same(node: SimulatedNode, order: Any) -> None:
        node.mark, node.claimed = order["id"], (order["id"], order.get("token", 0) ^ 1)

    fixture.begin({name: at_the_next_claim(same)})
    told = fixture.await_word(name, "job-report", {"act": "claim", "state": "done"}, within_ms=OWNED_MS)
    wrong = ordered_unowned(fixture, name, told)
    fixture.none(wrong, "SUP-30", f"no order to {name}, which another has claimed", _act)


def outrun(node: SimulatedNode, order: Any) -> None:
    """Another supervisor's claim, with a higher number, has come just before this one."""
    node.mark = order["id"] + CLAIM_STEP


def at_the_next_claim(befalls: Callable[[SimulatedNode, Any], None]) -> Callable[[SimulatedNode], None]:
    """Prepares a node to which something happens just before the next claim."""

    def prepare(node: SimulatedNode) -> None:
        def before(order: Any) -> None:
            if order["act"] == "claim":
                befalls(node, order)
                node.disturbances.before = lambda _order: None

        node.disturbances.before = before

    return prepare


def ordered_unowned(fixture: SupervisorFixture, name: str, told: Message) -> list[Message]:
    """Orders to a node after `told`, while it is not owned, that may not be sent to it: all but ask, claim and hold."""
    topic, end_ms, seen = fixture.topic(name), fixture.bench.now_ms + fixture.stretched(QUIET_MS), told.number
    while True:  # What goes out once it is owned again ends nothing: the rest of the time is watched too.
        suspect = fixture.wait_for(
            lambda m: m.from_node and m.topic == topic and _act(m) not in BEFORE_OWNED,
            max(0.0, end_ms - fixture.bench.now_ms),
            seen,
        )
        wrong = [
            order.message
            for order in fixture.orders()
            if order.node == name
            and order.message.number > told.number
            and not order.known.owned
            and order.act not in BEFORE_OWNED
        ]
        if wrong or suspect is None:
            return wrong
        seen = suspect.number


@supervised("SUP-02", after=("supervisor-works",))
def supervisor_owns_all(fixture: SupervisorFixture) -> None:
    """Nothing is moved anywhere before every node is owned.

    The claims of a shuttle are lost for some seconds; in a second life those of the berth, which the first crane does
    not reach, and that crane is to be homed. Meanwhile no node gets an order that moves something, to home it neither.
    """

    def prepare(node: SimulatedNode) -> None:
        until_ms = node.now_ms + LATE_MS
        node.disturbances.hears = lambda order: order["act"] != "claim" or node.now_ms >= until_ms

    route = fixture.route
    for prepared in ({route.shuttle: prepare}, {route.berth: prepare, route.first: SimulatedNode.come_up}):
        fixture.begin(prepared)
        fixture.await_order(route.first, "home", "transfer")
        owned_first(fixture)


def owned_first(fixture: SupervisorFixture, *, all_runs: bool = False) -> None:
    """Demand that every node had been owned before the first job to any [SUP-02]."""
    for run in fixture.runs if all_runs else fixture.runs[-1:]:
        owned: set[str] = set()
        for order in fixture.orders_of(run):
            owned |= {name for name, known in order.all_known.items() if known.owned}
            if order.starts:
                missing = set(order.all_known) - owned
                named = ", ".join(sorted(missing))
                fixture.check(
                    not missing, "SUP-02", f"no job before {named} is owned", order.act, order.message
                )


@supervised("SUP-10", "SUP-01", after=("supervisor-asks",))
def supervisor_hints(fixture: SupervisorFixture) -> None:
    """A node of which only retained messages are there gets asks and nothing else.

    A shuttle is switched off; the broker still has all its messages. The supervisor may show them; it orders
    nothing there, and nothing anywhere that moves.
    """
    name = fixture.route.shuttle

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.stays_off = True

    fixture.begin({name: prepare})
    fixture.await_order(fixture.route.first, "claim")
    fixture.watch(fixture.stretched(QUIET_MS))
    for one in fixture.sent_to(name):
        act = one.body.get("act")
        fixture.check(act in ("ask", "hold"), "SUP-10", f"nothing but asks to {name}", act, one)
    begun = fixture.jobs_since(fixture.runs[-1].after)
    fixture.none(begun, "SUP-10", "no job while a node is known by hints only", _act)


@supervised("SUP-07", "SUP-33", after=("supervisor-works",))
def supervisor_replaced(fixture: SupervisorFixture) -> None:
    """A supervisor that has been replaced at a node sends that node nothing more but holds, and begins nothing more.

    Another supervisor claims a crane while the first one's job runs there and, in a second life, the berth while the
    crane works. From the first message on that carries the higher mark, that node gets nothing but a hold, which
    anybody may send, and no node gets a job that was not sent before, the shuttle neither once the crane is done: the
    two would go on with one yard. Others may be asked, and an open order is repeated.
    """
    route = fixture.route
    for name, crane in ((route.first, _slow), (route.berth, _done_soon)):
        fixture.begin({route.first: crane})
        fixture.await_job(route.first, "transfer")
        replaced_at(fixture, name)


def replaced_at(fixture: SupervisorFixture, name: str) -> None:
    """Another supervisor claims a node: demand nothing but holds there, and nothing begun anywhere [SUP-07]."""
    before = fixture.log.end
    fixture.yard.disturb(name, SimulatedNode.outrank)
    told = fixture.wait_for(
        lambda m: not m.from_node and m.body.get("mark") == fixture.yard.nodes[name].mark,
        fixture.patience_ms,
        before,
    )
    fixture.need(told is not None, "the higher mark did not reach the supervisor")
    assert told is not None
    fixture.watch(fixture.stretched(QUIET_MS))
    since = fixture.known_from(told)
    there = [one for one in fixture.sent_to(name, after=since) if one.body.get("act") != "hold"]
    fixture.none(there, "SUP-07", f"nothing more to {name} but a hold", _act)
    fixture.none(fixture.jobs_since(since), "SUP-33", "no new job to any node", _act)


def _done_soon(node: SimulatedNode) -> None:
    node.disturbances.job_ms = 3_000


def _slow(node: SimulatedNode) -> None:
    node.disturbances.job_ms = 20_000


@supervised("SUP-15", after=("supervisor-works",))
def supervisor_bench(fixture: SupervisorFixture) -> None:
    """A site in which a node says that it is on the bench is not run.

    The second crane says so, and nothing may be moved anywhere. In a second life it does so only after it has started
    again while the first one works: from then on nothing is begun any more.
    """

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.announces = {"bench": True, "starts": 0}

    fixture.begin({fixture.route.second: prepare})
    told = fixture.await_word(fixture.route.second, "node-status", {"bench": True})
    fixture.watch(fixture.stretched(QUIET_MS))
    begun = fixture.jobs_since(fixture.known_from(told))
    fixture.none(begun, "SUP-15", "no job in a site with a bench node", _act)
    begun = _begun_after_its_start(fixture, bench=True, starts=0)
    fixture.none(begun, "SUP-15", "no job once a node is on the bench", _act)


def _begun_after_its_start(fixture: SupervisorFixture, **said: Any) -> list[Message]:
    """A life in which the second crane restarts while the first one works, and says something else of itself then.

    Gives the jobs that were begun once the supervisor had read that: any for the new boot, for it answers with all its
    state before it can be owned, and others a little later.
    """
    route = fixture.route

    def start(node: SimulatedNode, now_ms: int) -> Sequence[Publication]:
        node.disturbances.announces = said
        return node.reset(now_ms)

    # A person answers what it asks after that start, so that nothing keeps the crane from being homed.
    fixture.begin({route.first: _done_soon}, replace(fixture.brief, answers=True))
    fixture.await_job(route.first, "transfer")
    before = fixture.log.end
    fixture.yard.disturb(route.second, start)
    told = fixture.await_word(route.second, "node-status", said, after=before)
    fixture.watch(fixture.stretched(QUIET_MS))
    there, boot = fixture.topic(route.second), told.body["boot"]
    begun, late = fixture.jobs_since(before), fixture.known_from(told)
    return [
        one for one in begun if one.number > late or (one.topic == there and one.body.get("boot") == boot)
    ]


@supervised("SUP-20", after=("supervisor-works",))
def supervisor_other_digest(fixture: SupervisorFixture) -> None:
    """A node with another digest of its part of the site file is sent no moving order.

    The first crane was set up from another site file and says so by its digest. In a second life the second crane does
    once it has restarted, at work: it is not homed, and gets no order to.
    """
    name = fixture.route.first

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.announces = {"digest": node.node.digest ^ 1}

    fixture.begin({name: prepare})
    fixture.await_order(name, "claim")
    fixture.watch(fixture.stretched(QUIET_MS))
    jobs = fixture.sent_to(name, fixture.spec.jobs)
    fixture.none(jobs, "SUP-20", f"no job to {name}, which has other tables", _act)
    second = fixture.route.second
    begun = _begun_after_its_start(fixture, digest=fixture.site.nodes[second].digest ^ 1)
    jobs = [one for one in begun if one.topic == fixture.topic(second)]
    fixture.none(jobs, "SUP-20", f"no job to {second}, which came back with other tables", _act)


@supervised("SUP-14", after=("supervisor-works",))
def supervisor_keeps_hold(fixture: SupervisorFixture) -> None:
    """A hold that somebody else has sent is not lifted without a person's word.

    Holds a crane as somebody at the yard would, while its job runs, and answers no question. No resume may
    come.
    """
    name = fixture.route.first
    fixture.begin({name: _slow})
    fixture.await_job(name, "transfer")
    before = fixture.log.end
    fixture.yard.disturb(name, SimulatedNode.hold)
    held = fixture.await_word(name, "crane-status", {"held": True}, after=before)
    fixture.watch(fixture.stretched(QUIET_MS))
    resumes = fixture.sent_to(name, {"resume"}, after=held.number)
    fixture.none(resumes, "SUP-14", "no resume without a person's word", lambda _one: "a resume")


def _act(order: Message) -> object:
    return order.body.get("act")
