"""Where the boxes are: what a supervisor may believe of places, and what it orders nothing on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from conformance.oracle.link_log import Message
from conformance.peers.node import SimulatedNode
from conformance.suite.brief import Brief, with_box_twice
from conformance.suite.supervisor_fixture import QUIET_MS, SupervisorFixture, supervised

OTHERS_JOB_MS = 4_000
UNSURE = "?"


@supervised("SUP-17", after=("supervisor-works",))
def supervisor_box_twice(fixture: SupervisorFixture) -> None:
    """A box that is said to be in two places is in neither, and no order names it.

    The person says that the box stands in a second place too. Both slots are unsure in the yard-maps from then
    on, and nothing is ordered for that box.
    """
    brief = with_box_twice(fixture.brief, fixture.site)
    fixture.begin(brief=brief)
    fixture.await_owned()
    fixture.watch(fixture.stretched(QUIET_MS))
    nothing_for(fixture, fixture.runs[-1].after, "SUP-17")
    for place, row in brief.contents.items():
        for one in fixture.maps(place, fixture.runs[-1].after)[-1:]:
            shown = one.body["slots"][0]
            if fixture.route.box in row:
                fixture.check(shown == UNSURE, "SUP-17", f"{place} slot 0 unsure", repr(shown), one)


def nothing_for(fixture: SupervisorFixture, after: int, requirement: str) -> None:
    """Demand that no order after a trace names the box, but repeats of those before."""
    named = [one for one in fixture.jobs_since(after) if one.body.get("box") == fixture.route.box]
    fixture.none(named, requirement, "nothing ordered for the box", _act)


def _act(order: Message) -> object:
    return order.body.get("act")


@supervised("SUP-11", after=("supervisor-works",))
def supervisor_old_map(fixture: SupervisorFixture) -> None:
    """After a restart a yard-map is believed only where nothing has moved since.

    Lets the supervisor work and write its maps, and stops it. Meanwhile somebody orders the first crane
    something. Then starts it again; nobody tells it what stands where. All that crane reaches is unsure.
    """
    _work_and_stop(fixture)

    def moved(node: SimulatedNode, now_ms: int) -> None:
        node.disturbances.asleep = True
        node.take_over(now_ms, "park", {"deadline": 0})

    fixture.go_on(_told_nothing(fixture), {fixture.route.first: moved})
    _all_unsure(fixture)


@supervised("SUP-11", after=("supervisor-old-map",))
def supervisor_map_outrun(fixture: SupervisorFixture) -> None:
    """An order that slips in between the answer to the ask and the claim makes a yard-map worthless too.

    The same, but the crane is ordered just before the supervisor's claim reaches it: the mark in its answer
    was still that of the map, and only the job that it names afterwards tells.
    """
    _work_and_stop(fixture)

    def prepare(node: SimulatedNode) -> None:
        def outrun(order: Any) -> None:
            if order["act"] == "claim":
                node.disturbances.before = lambda _order: None
                node.take_over(node.now_ms, "park", {"deadline": 0})

        node.disturbances.before, node.disturbances.job_ms = outrun, 0

    fixture.go_on(_told_nothing(fixture), {}, {fixture.route.first: prepare})
    _all_unsure(fixture)


def _work_and_stop(fixture: SupervisorFixture) -> None:
    """Let the supervisor bring its goal about, and wait until its maps tell it."""
    fixture.begin()
    departed = fixture.await_order(fixture.route.berth, "depart")
    fixture.await_word(fixture.route.berth, "job-report", {"id": departed.body["id"], "state": "done"})
    fixture.watch(fixture.limit_ms("order_repeat"))
    sure = [one.body["slots"] for one in fixture.maps(fixture.route.stack, fixture.runs[-1].after)[-1:]]
    fixture.need(bool(sure) and UNSURE not in sure[0], "its last yard-map of the stack is not sure of itself")


@supervised("SUP-24", after=("supervisor-works",))
def supervisor_word_of_before(fixture: SupervisorFixture) -> None:
    """What a person told before a job ended is not believed after it.

    A crane is at a job of the supervisor before, which may move any box that it reaches. The person has told what
    stands where before any node was heard, and answers no question. All that crane reaches stays unsure, and
    nothing is ordered for the box, also once the job has ended.
    """

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.job_ms = OTHERS_JOB_MS
        node.busy_from_before(node.now_ms)

    fixture.begin({fixture.route.first: prepare}, replace(fixture.brief, again=False))
    fixture.await_word(fixture.route.first, "crane-status", {"job_state": "done"})
    _all_unsure(fixture, "SUP-24")
    nothing_for(fixture, fixture.runs[-1].after, "SUP-24")


def _told_nothing(fixture: SupervisorFixture) -> Brief:
    return replace(fixture.brief, contents={}, goal=False)


def _all_unsure(fixture: SupervisorFixture, requirement: str = "SUP-11") -> None:
    crane = fixture.site.nodes[fixture.route.first].crane
    places = crane.places if crane else ()
    fixture.await_owned()
    fixture.watch(fixture.stretched(QUIET_MS))
    told = [(place, one) for place in places for one in fixture.maps(place, fixture.runs[-1].after)]
    fixture.need(bool(told), "the supervisor published no yard-map")
    for place, one in told:
        slots = one.body["slots"]
        fixture.check(set(slots) == {UNSURE}, requirement, f"every slot of {place} unsure", slots, one)
