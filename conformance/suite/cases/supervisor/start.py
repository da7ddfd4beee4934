"""A supervisor at work among simulated nodes: it starts, it brings its goal about, it repeats what got lost.

Each case restarts the supervisor and says what it has to be told; nothing real moves. `supervisor_claim` has
the cases about who may order, `supervisor_work` those about what goes wrong at work, `supervisor_passive` those
judged from all that was seen.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.peers.node import SimulatedNode
from conformance.suite.brief import route_of
from conformance.suite.supervisor_fixture import (
    FIRST_ASK_MS,
    OWNED_MS,
    QUIET_MS,
    TRIES,
    WORK_MS,
    SupervisorFixture,
    has_route,
    supervised,
)
from conformance.suite.verdict import Broken
from protocol.site import Encoding, NodeSite, Site

LOST_TIMES = 2
LONG_JOB_MS = 6_000
ROUND_BOOT, ROUND_MARK = 40_000, 3 << 20


@supervised("SUP-01")
def supervisor_asks(fixture: SupervisorFixture) -> None:
    """A supervisor that starts asks every node, and claims it, before it sends it anything else.

    Starts it and waits for an ask at every node. Until an answer to its own ask has come, and then until a
    claim has been answered with its own id as the mark, a node gets no other order. One that has a goal and an
    answer of every node, and claims none, owns nothing that it could order.
    """
    fixture.begin()
    for name in fixture.yard.nodes:
        asked = fixture.next_order(name, "ask", FIRST_ASK_MS, fixture.runs[-1].after)
        fixture.check(
            asked is not None, "SUP-01", f"an ask to {name}", f"none in {FIRST_ASK_MS / 1000:.0f} s"
        )
    owns_all = fixture.owned_in_time()
    asked_first(fixture)
    for name in fixture.yard.nodes:
        fixture.check(
            owns_all or bool(fixture.sent_to(name, {"claim"})),
            "SUP-01",
            f"a claim to {name} behind its answer",
            f"none in {OWNED_MS / 1000:.0f} s",
        )
    fixture.need_owned()


def asked_first(fixture: SupervisorFixture, *, all_runs: bool = False) -> None:
    """Demand ask, whole answer, claim and its answer before any other order [SUP-01, SUP-32]."""
    for order in fixture.orders(all_runs=all_runs):
        known = order.known
        if order.act in ("ask", "hold") or order.crosses_reset:
            continue
        nothing_else = f"only asks to {order.node}, which has not answered"
        fixture.check(known.token_came, "SUP-01", nothing_else, order.act, order.message)
        fixture.check(
            known.answered, "SUP-32", f"{nothing_else} with all its state", order.act, order.message
        )
        owned = order.act == "claim" or known.owned
        fixture.check(
            bool(owned), "SUP-01", f"a claim to {order.node}, which is not owned", order.act, order.message
        )


@supervised("SUP-22", "SUP-01", "SUP-02", after=("supervisor-asks",))
def supervisor_works(fixture: SupervisorFixture) -> None:
    """A supervisor brings its goal about, and its yard-maps tell what changes.

    Gives it the goal, and plays every node without a fault until the train has left with the box. Every place
    has a yard-map then; that of the stack told that the box had left, that of the deck that it was there.
    Every other case at work rests on this one.
    """
    fixture.begin()
    route, start = fixture.route, fixture.runs[-1].after
    first = fixture.await_order(route.first, "transfer")
    done = fixture.await_word(route.first, "job-report", {"id": first.body["id"], "state": "done"})
    second = fixture.await_order(route.second, "transfer")
    fixture.await_word(route.second, "job-report", {"id": second.body["id"], "state": "done"})
    departed = fixture.await_order(route.berth, "depart")
    fixture.await_word(route.berth, "job-report", {"id": departed.body["id"], "state": "done"})
    fixture.watch(fixture.limit_ms("order_repeat"))
    for place in fixture.site.places:
        fixture.check(bool(fixture.maps(place, start)), "SUP-22", f"a yard-map of {place}", "none")
    left = [one.body["slots"][0] for one in fixture.maps(route.stack, done.number)]
    fixture.check("" in left, "SUP-22", f"a yard-map of {route.stack} without the box", left or "none")
    there = [one.body["slots"][0] for one in fixture.maps(route.deck, done.number)]
    fixture.check(route.box in there, "SUP-22", f"a yard-map of {route.deck} with the box", there or "none")


@supervised("SUP-05", after=("supervisor-works",))
def supervisor_repeats(fixture: SupervisorFixture) -> None:
    """What is not answered is sent again in time: an ask with another token, all else unchanged.

    The first asks, claims and the first transfer are lost on their way to a crane. Each has to come again
    after the time that the protocol gives, until it gets through.
    """
    lost: Counter[str] = Counter()

    def hears(order: Any) -> bool:
        lost[order["act"]] += 1
        return order["act"] not in ("ask", "claim", "transfer") or lost[order["act"]] > LOST_TIMES

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.hears = hears

    fixture.begin({fixture.route.first: prepare})
    for act in ("ask", "claim", "transfer"):
        first = fixture.await_order(fixture.route.first, act)
        for number in range(LOST_TIMES):
            sent_again(fixture, fixture.route.first, act, first.body, number + 1)


def sent_again(fixture: SupervisorFixture, node: str, act: str, body: Any, number: int) -> None:
    """Demand that an act goes out again in time behind the one with this number, as it was or with another token."""
    before = fixture.sent_to(node, {act})[number - 1]
    limits = fixture.spec.timing["order_repeat"]
    within_ms = fixture.limit_ms("order_repeat") + fixture.limit_ms("answer")
    again = fixture.next_order(node, act, within_ms, before.number)
    if again is None:
        raise Broken("SUP-05", f"the {act} to {node} again after {limits}", "no repeat")
    gap = again.at_ms - before.at_ms
    fixture.in_time(
        (limits.least or 0) <= gap <= fixture.limit_ms("order_repeat"), (before.at_ms, again.at_ms),
        "SUP-05", f"a repeat after {limits}", f"after {gap:.0f} ms", again,
    )  # fmt: skip
    same = again.body["token"] != before.body["token"] if act == "ask" else again.body == body
    expected = "another token" if act == "ask" else f"the same {act}, {in_words(body)}"
    fixture.check(same, "SUP-05", expected, dict(again.body), again)


@supervised("SUP-05", after=("supervisor-repeats",))
def supervisor_repeats_running(fixture: SupervisorFixture) -> None:
    """An order is repeated until its final report: 'running' is none.

    A crane takes long for its transfer, and 'done' is lost twice on the way. The order has to come again while
    the job runs and after, and the answer to the repeat ends it.
    """
    route, lost = fixture.route, Counter[str]()

    def says(message: str, body: Any) -> bool:
        done = message == "job-report" and body.get("act") == "transfer" and body["state"] == "done"
        lost["done"] += done
        return not done or lost["done"] > LOST_TIMES

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.says, node.disturbances.job_ms = says, LONG_JOB_MS

    fixture.begin({route.first: prepare})
    order = fixture.await_job(route.first, "transfer")
    still_repeated(fixture, route.first, order, "SUP-05")
    done = fixture.await_word(route.first, "job-report", {"id": order.body["id"], "state": "done"})
    sent = [one.at_ms for one in fixture.sent_to(route.first, {"transfer"}) if one.number < done.number]
    most = fixture.limit_ms("order_repeat")
    for span in pairwise(sent):
        gap = span[1] - span[0]
        fixture.in_time(gap <= most, span, "SUP-05", "repeats in time", f"{gap:.0f} ms")


def still_repeated(fixture: SupervisorFixture, node: str, order: Message, requirement: str) -> None:
    """Demand that an open order is repeated from now on: the sign that it has not been taken for ended.

    While its asks are not answered in full it may send nothing but asks: its time begins again behind each of them.
    """
    topic = fixture.topic(node)
    within_ms = fixture.limit_ms("order_repeat") + fixture.limit_ms("answer")
    for _ in range(TRIES):
        now = fixture.log.end
        again = fixture.wait_for(
            lambda m: m.from_node and m.topic == topic and m.body == order.body, within_ms, now
        )
        if again is not None or not fixture.sent_to(node, {"ask"}, after=now):
            break
    fixture.check(again is not None, requirement, f"the open {order.body['act']} repeated", "no repeat")


@supervised("ENC-08", after=("supervisor-works",), applies=lambda site, node: _reads_both(site, node))
def supervisor_writes_as_read(fixture: SupervisorFixture) -> None:
    """A node is written to in an encoding that it says it reads.

    A crane that reads both by the site file says that it reads JSON only, and another time CBOR only.
    """
    for encoding in Encoding:
        fixture.begin({fixture.route.first: _announcing(reads=encoding.value)})
        transfer = fixture.next_order(
            fixture.route.first, "transfer", OWNED_MS + WORK_MS, fixture.runs[-1].after
        )
        for message in _after_first_status(fixture, fixture.route.first):
            fixture.check(
                message.encoding is encoding, "ENC-08", encoding.value, message.encoding or "neither", message
            )
        fixture.need(transfer is not None, f"the supervisor sent {fixture.route.first} no transfer")


@supervised("ENC-08", after=("supervisor-works",), applies=lambda site, node: _reads_both(site, node))
def supervisor_keeps_to_buffer(fixture: SupervisorFixture) -> None:
    """No packet is larger than the receive buffer that its node has announced.

    A crane says that it reads JSON only, and gets a transfer. Then all begins again, but its buffer is one byte
    too small for that transfer, which must not be sent.
    """
    name = fixture.route.first
    fixture.begin(dict.fromkeys((name, fixture.route.shuttle), _announcing(reads="json")))
    size = fixture.await_order(name, "transfer").trace.size
    fixture.begin(
        {name: _announcing(reads="json", buffer=size - 1), fixture.route.shuttle: _announcing(reads="json")}
    )
    fixture.await_owned()
    fixture.watch(fixture.stretched(QUIET_MS))
    large = [message for message in _after_first_status(fixture, name) if message.trace.size >= size]
    fixture.none(large, "ENC-08", f"at most {size - 1} bytes", lambda one: f"{one.trace.size} bytes")


def _reads_both(site: Site, node: NodeSite) -> str:
    unfit = has_route(site, node)
    if unfit:
        return unfit
    route = route_of(site)
    both = route is not None and site.nodes[route.first].reads == "both"
    return "" if both else "the first crane reads one encoding only"


def _announcing(**said: Any) -> Callable[[SimulatedNode], None]:
    def prepare(node: SimulatedNode) -> None:
        node.disturbances.announces = said
        # So that the same order takes as many digits in every life.
        node.boot, node.mark = ROUND_BOOT, ROUND_MARK

    return prepare


def _after_first_status(fixture: SupervisorFixture, node: str) -> list[Message]:
    """Orders to a node after its first node-status of this life: what it reads could be known by then."""
    status = fixture.await_word(node, "node-status", {"state": "on"})
    live = next(
        (m for m in fixture.log.since(fixture.runs[-1].after)
         if not m.retain and not m.from_node and m.topic == status.topic and m.body.get("state") == "on"),
        status,
    )  # fmt: skip
    return fixture.sent_to(node, after=fixture.known_from(live))


@supervised("SUP-14", "HLD-06", after=("supervisor-asks",))
def supervisor_holds_again(fixture: SupervisorFixture) -> None:
    """A supervisor whose hold stands holds a node again that boots meanwhile.

    Has it hold every node. Then a crane resets, and comes up not held: a hold has to reach it within the time
    for a repeat. A person answers what is asked behind that; the hold stands all the same, and no resume comes.
    """
    _all_held(fixture, answers=True)
    before = fixture.log.end
    fixture.yard.disturb(fixture.route.first, SimulatedNode.reset)
    again, seen = _hold_since(fixture, before)
    fixture.check(again is not None, "SUP-14", f"a hold for {fixture.route.first}, which has booted", seen)
    fixture.watch(fixture.stretched(QUIET_MS))
    resumes = fixture.sent_to(fixture.route.first, {"resume"}, after=before)
    fixture.none(resumes, "SUP-14", "no resume while its own hold stands", lambda _one: "a resume")


@supervised("SUP-31", after=("supervisor-holds-again",))
def supervisor_hold_tokens(fixture: SupervisorFixture) -> None:
    """A hold that goes out after a node was let go is a new one, with another token or none.

    Has it hold every node. Then somebody else resumes a crane, whose count of holds has gone up: a hold that comes for
    it then may not carry a token of before.
    """
    _all_held(fixture)
    first, everyone = fixture.topic(fixture.route.first), fixture.topic(fixture.spec.everyone)
    sent = [
        m for m in fixture.log.since(fixture.runs[-1].after)
        if m.body.get("act") == "hold" and m.topic in (everyone, first)
    ]  # fmt: skip
    tokens = {m.body["token"] for m in sent if "token" in m.body}
    before = fixture.log.end
    fixture.yard.disturb(fixture.route.first, SimulatedNode.let_go)
    again, seen = _hold_since(fixture, before)
    fixture.occasion(again is not None, f"it holds {fixture.route.first} no more: {seen}")
    token = again.body.get("token") if again is not None else None
    fixture.check(token not in tokens, "SUP-31", "a hold with another token, or none", token, again)


def _all_held(fixture: SupervisorFixture, *, answers: bool = False) -> None:
    fixture.begin(brief=replace(fixture.brief, goal=False, holds=True, answers=answers))
    nodes = fixture.yard.nodes.values()
    fixture.bench.wait(lambda: all(node.held for node in nodes), OWNED_MS + WORK_MS)
    free = [node.client_id for node in nodes if not node.held]
    fixture.need(not free, f"the supervisor does not hold {' and '.join(free)}")


def _hold_since(fixture: SupervisorFixture, before: int) -> tuple[Message | None, str]:
    """The next hold for the first crane of the route within the time for a repeat, and what to say where none came."""
    within_ms = fixture.limit_ms("order_repeat") + fixture.limit_ms("answer")
    everyone = fixture.topic(fixture.spec.everyone)
    again = fixture.wait_for(
        lambda m: m.from_node and m.body.get("act") == "hold"
        and m.topic in (everyone, fixture.topic(fixture.route.first)),
        within_ms, before,
    )  # fmt: skip
    return again, f"none within {within_ms:.0f} ms"
