"""Who may order: what a supervisor needs to know and to own before it starts anything, and when it stops."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from conformance.oracle.link_log import Message
from conformance.peers.node import PlayedNode
from conformance.suite.brief import Brief, told_twice
from conformance.suite.cases.supervisor.start import asked_first
from conformance.suite.supervisor_fixture import OWNED_MS, QUIET_MS, Play, supervised
from protocol.counting import CLAIM_STEP

LATE_MS = 6_000
UNSURE = "?"


@supervised("SUP-06", after=("supervisor-asks",))
def supervisor_old_answer(play: Play) -> None:
    """An answer to an old ask does not pass for one to the newest.

    The first answers of a crane carry another token than the ask had, as one does that comes late from another
    day. Until an answer with a token of its own has come, the supervisor sends that crane nothing but asks.
    """
    name = play.plan.first

    def prepare(node: PlayedNode) -> None:
        until_ms = node.now_ms + LATE_MS
        node.luck.token = lambda token: token ^ 1 if node.now_ms < until_ms else token

    play.begin({name: prepare})
    play.await_order(name, "ask")
    play.await_owned(name)
    for order in play.orders():
        if order.node == name and not order.known.answered:
            play.check(
                order.act in ("ask", "hold"), "SUP-06", "asks until one is answered", order.act, order.message
            )


@supervised("SUP-01", after=("supervisor-asks",))
def supervisor_half_an_answer(play: Play) -> None:
    """An answer counts only with every state message of the node behind the ask.

    For some seconds one state message of a crane is lost whenever it answers, its report with the token never:
    what the crane is at cannot be known then. The supervisor sends it nothing but asks until all have come.
    """
    name = play.plan.first

    def prepare(node: PlayedNode) -> None:
        until_ms = node.now_ms + LATE_MS
        node.luck.says = lambda message, _body: message != "crane-status" or node.now_ms >= until_ms

    play.begin({name: prepare})
    play.await_order(name, "ask")
    play.await_owned(name)
    asked_first(play)


@supervised("SUP-01", after=("supervisor-asks",))
def supervisor_loses_claim(play: Play) -> None:
    """A claim that is answered with a higher mark owns nothing.

    Another supervisor's claim reaches a crane just before the first one of this. It is refused, and until a new
    claim is answered with its own id the crane gets nothing but asks and claims.
    """
    name = play.plan.first

    def prepare(node: PlayedNode) -> None:
        def outrun(order: Any) -> None:
            if order["act"] == "claim":
                node.mark = order["id"] + CLAIM_STEP
                node.luck.before = lambda _order: None

        node.luck.before = outrun

    play.begin({name: prepare})
    refused = play.await_word(name, "job-report", {"act": "claim", "state": "refused"}, within_ms=OWNED_MS)
    play.watch(play.stretched(QUIET_MS))
    wrong = [
        order.message
        for order in play.orders()
        if order.node == name
        and order.message.number > refused.number
        and not order.known.owned
        and order.act not in ("ask", "claim", "hold")
    ]
    play.none(wrong, "SUP-01", f"no order to {name}, which it lost", _act)


@supervised("SUP-02", after=("supervisor-works",))
def supervisor_owns_all(play: Play) -> None:
    """Nothing is moved anywhere before every node is owned.

    The claims of a shuttle are lost for some seconds. Meanwhile no node gets an order that moves something.
    """
    name = play.plan.shuttle

    def prepare(node: PlayedNode) -> None:
        until_ms = node.now_ms + LATE_MS
        node.luck.hears = lambda order: order["act"] != "claim" or node.now_ms >= until_ms

    play.begin({name: prepare})
    play.await_order(play.plan.first, "transfer")
    owned_first(play)


def owned_first(play: Play, *, all_lives: bool = False) -> None:
    """Demand that every node had been owned before the first job to any [SUP-02]."""
    for life in play.lives if all_lives else play.lives[-1:]:
        owned: set[str] = set()
        for order in play.orders_of(life):
            owned |= {name for name, known in order.all_known.items() if known.owned}
            if order.starts:
                missing = set(order.all_known) - owned
                named = ", ".join(sorted(missing))
                play.check(not missing, "SUP-02", f"no job before {named} is owned", order.act, order.message)


@supervised("SUP-10", "SUP-01", after=("supervisor-asks",))
def supervisor_hints(play: Play) -> None:
    """A node of which only retained messages are there gets asks and nothing else.

    A shuttle is switched off; the broker still has all its messages. The supervisor may show them; it orders
    nothing there, and nothing anywhere that moves.
    """
    name = play.plan.shuttle

    def prepare(node: PlayedNode) -> None:
        node.luck.stays_off = True

    play.begin({name: prepare})
    play.await_order(play.plan.first, "claim")
    play.watch(play.stretched(QUIET_MS))
    for one in play.sent_to(name):
        act = one.body.get("act")
        play.check(act in ("ask", "hold"), "SUP-10", f"nothing but asks to {name}", act, one)
    begun = play.jobs_since(play.lives[-1].after)
    play.none(begun, "SUP-10", "no job while a node is known by hints only", _act)


@supervised("SUP-07", after=("supervisor-works",))
def supervisor_replaced(play: Play) -> None:
    """A supervisor that has been replaced at a node sends no node anything more.

    Another supervisor claims a crane while the first one's job runs there. From the first message on that
    carries the higher mark, that crane gets nothing, and no other node does: the two would go on with one yard.
    """
    name = play.plan.first
    play.begin({name: _slow})
    play.await_job(name, "transfer")
    before = play.log.end
    play.yard.befall(name, PlayedNode.outrank)
    told = play.wait_for(
        lambda m: not m.from_node and m.body.get("mark") == play.yard.nodes[name].mark,
        play.patience_ms,
        before,
    )
    play.need(told is not None, "the higher mark did not reach the supervisor")
    assert told is not None
    play.watch(play.stretched(QUIET_MS))
    play.none(play.log.sent("job-order", play.known_from(told)), "SUP-07", "nothing more to any node", _act)


def _slow(node: PlayedNode) -> None:
    node.luck.job_ms = 20_000


@supervised("SUP-15", after=("supervisor-works",))
def supervisor_bench(play: Play) -> None:
    """A site in which a node says that it is on the bench is not run.

    The second crane says so. Nothing may be moved anywhere.
    """

    def prepare(node: PlayedNode) -> None:
        node.luck.announces = {"bench": True, "starts": 0}

    play.begin({play.plan.second: prepare})
    told = play.await_word(play.plan.second, "node-status", {"bench": True})
    play.watch(play.stretched(QUIET_MS))
    begun = play.jobs_since(play.known_from(told))
    play.none(begun, "SUP-15", "no job in a site with a bench node", _act)


@supervised("SUP-20", after=("supervisor-works",))
def supervisor_other_digest(play: Play) -> None:
    """A node with another digest of its part of the site file is sent no moving order.

    The first crane was set up from another site file and says so by its digest.
    """
    name = play.plan.first

    def prepare(node: PlayedNode) -> None:
        node.luck.announces = {"digest": node.node.digest ^ 1}

    play.begin({name: prepare})
    play.await_order(name, "claim")
    play.watch(play.stretched(QUIET_MS))
    jobs = play.sent_to(name, play.spec.jobs)
    play.none(jobs, "SUP-20", f"no job to {name}, which has other tables", _act)


@supervised("SUP-14", after=("supervisor-works",))
def supervisor_keeps_hold(play: Play) -> None:
    """A hold that somebody else has sent is not lifted without a person's word.

    Holds a crane as somebody at the yard would, while its job runs, and answers no question. No resume may
    come.
    """
    name = play.plan.first
    play.begin({name: _slow})
    play.await_job(name, "transfer")
    play.yard.befall(name, PlayedNode.hold)
    held = play.await_word(name, "crane-status", {"held": True})
    play.watch(play.stretched(QUIET_MS))
    resumes = play.sent_to(name, {"resume"}, after=held.number)
    play.none(resumes, "SUP-14", "no resume without a person's word", lambda _one: "a resume")


@supervised("SUP-17", after=("supervisor-works",))
def supervisor_box_twice(play: Play) -> None:
    """A box that is said to be in two places is in neither, and no order names it.

    The person says that the box stands in a second place too. Both slots are unsure in the yard-maps from then
    on, and nothing is ordered for that box.
    """
    brief = told_twice(play.brief, play.site)
    play.begin(brief=brief)
    play.await_owned()
    play.watch(play.stretched(QUIET_MS))
    nothing_for(play, play.lives[-1].after, "SUP-17")
    for place, row in brief.contents.items():
        for one in play.maps(place, play.lives[-1].after)[-1:]:
            shown = one.body["slots"][0]
            if play.plan.box in row:
                play.check(shown == UNSURE, "SUP-17", f"{place} slot 0 unsure", repr(shown), one)


def nothing_for(play: Play, after: int, requirement: str) -> None:
    """Demand that no order after a trace names the box, but repeats of those before."""
    named = [one for one in play.jobs_since(after) if one.body.get("box") == play.plan.box]
    play.none(named, requirement, "nothing ordered for the box", _act)


def _act(order: Message) -> object:
    return order.body.get("act")


@supervised("SUP-11", after=("supervisor-works",))
def supervisor_old_map(play: Play) -> None:
    """After a restart a yard-map is believed only where nothing has moved since.

    Lets the supervisor work and write its maps, and stops it. Meanwhile somebody orders the first crane
    something. Then starts it again; nobody tells it what stands where. All that crane reaches is unsure.
    """
    _work_and_stop(play)

    def moved(node: PlayedNode, now_ms: int) -> None:
        node.luck.asleep = True
        node.take_over(now_ms, "park", {"deadline": 0})

    play.go_on(_told_nothing(play), {play.plan.first: moved})
    _all_unsure(play)


@supervised("SUP-11", after=("supervisor-old-map",))
def supervisor_map_outrun(play: Play) -> None:
    """An order that slips in between the answer to the ask and the claim makes a yard-map worthless too.

    The same, but the crane is ordered just before the supervisor's claim reaches it: the mark in its answer
    was still that of the map, and only the job that it names afterwards tells.
    """
    _work_and_stop(play)

    def prepare(node: PlayedNode) -> None:
        def outrun(order: Any) -> None:
            if order["act"] == "claim":
                node.luck.before = lambda _order: None
                node.take_over(node.now_ms, "park", {"deadline": 0})

        node.luck.before, node.luck.job_ms = outrun, 0

    play.go_on(_told_nothing(play), {}, {play.plan.first: prepare})
    _all_unsure(play)


def _work_and_stop(play: Play) -> None:
    """Let the supervisor bring its goal about, and wait until its maps tell it."""
    play.begin()
    departed = play.await_order(play.plan.berth, "depart")
    play.await_word(play.plan.berth, "job-report", {"id": departed.body["id"], "state": "done"})
    play.watch(play.limit_ms("order_repeat"))
    sure = [one.body["slots"] for one in play.maps(play.plan.stack, play.lives[-1].after)[-1:]]
    play.need(bool(sure) and UNSURE not in sure[0], "its last yard-map of the stack is not sure of itself")


def _told_nothing(play: Play) -> Brief:
    return replace(play.brief, contents={}, goal=False)


def _all_unsure(play: Play) -> None:
    crane = play.site.nodes[play.plan.first].crane
    places = crane.places if crane else ()
    play.await_owned()
    play.watch(play.stretched(QUIET_MS))
    told = [(place, one) for place in places for one in play.maps(place, play.lives[-1].after)]
    play.need(bool(told), "the supervisor published no yard-map after its restart")
    for place, one in told:
        slots = one.body["slots"]
        play.check(set(slots) == {UNSURE}, "SUP-11", f"every slot of {place} unsure", slots, one)
