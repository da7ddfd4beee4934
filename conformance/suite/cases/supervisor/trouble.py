"""What holds from the start on holds after trouble: refused and failed jobs, a restarted node, lost orders, a hold.

All of it may befall any yard in a day, and none of it moves anything. What a supervisor remembers of it must not change
how it writes, repeats, claims or stops.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from conformance.peers.node import SimulatedNode
from conformance.suite.cases.supervisor.claim import at_the_next_claim, claim_lost, outrun, replaced_at
from conformance.suite.cases.supervisor.silence import late_words_undo_nothing
from conformance.suite.cases.supervisor.start import LOST_TIMES, sent_again, still_repeated
from conformance.suite.cases.supervisor.work import JOB_MS, taking
from conformance.suite.supervisor_fixture import Prepared, SupervisorFixture, supervised
from protocol.participant import Publication

AFTER = ("supervisor-works-again",)


@supervised("SUP-22", "SUP-05", "SUP-28", "SUP-07", "SUP-33", after=AFTER)
def supervisor_works_after_trouble(fixture: SupervisorFixture) -> None:
    """What holds at the first job and the first connection holds after trouble too.

    The first claims are lost at every node. The first crane restarts before it has heard one, and hears the first asks
    behind that neither. Then it refuses to home; the next homing of each crane waits until its deadline and ends
    'late', repeated all the while, and the one behind that is done. Somebody holds the berth meanwhile. After all that
    the first transfer is lost twice and has to come again; its end has to be on the yard-maps; old words of the second
    crane have to undo nothing; and when another supervisor claims the berth before that crane is done, nothing more may
    be begun.
    """
    route = fixture.route
    crane = route.first
    fixture.begin(_troubled(fixture), replace(fixture.brief, answers=True))
    for _ in range(LOST_TIMES + 1):
        fixture.await_order(crane, "claim", after=fixture.log.end)
    fixture.yard.disturb(route.berth, SimulatedNode.hold)
    fixture.yard.disturb(crane, _restarted)
    _home_refused(fixture)
    _homes_late(fixture, crane)
    first = fixture.await_order(crane, "transfer")
    for number in range(LOST_TIMES):
        sent_again(fixture, crane, "transfer", first.body, number + 1)
    fixture.yard.disturb(route.berth, SimulatedNode.let_go)
    done = fixture.await_word(crane, "job-report", {"id": first.body["id"], "state": "done"})
    fixture.watch(fixture.limit_ms("order_repeat"))
    there = [one.body["slots"][0] for one in fixture.maps(route.deck, done.number)]
    fixture.check(route.box in there, "SUP-22", f"a yard-map of {route.deck} with the box", there or "none")
    late_words_undo_nothing(fixture, route.second)
    replaced_at(fixture, route.berth)


@supervised("SUP-01", after=AFTER)
def supervisor_claims_after_trouble(fixture: SupervisorFixture) -> None:
    """A claim that is answered with a higher mark owns nothing, after trouble neither.

    The first crane refuses to home. Then the shuttle restarts, and another supervisor claims it just before the next
    claim of this one; a person says where it stands as soon as he is asked. Until a newer claim is answered with
    its own id the shuttle gets nothing but asks and claims.
    """
    route = fixture.route
    fixture.begin({route.first: _unhomed_and_busy}, replace(fixture.brief, answers=True))
    _home_refused(fixture)
    fixture.yard.disturb(route.shuttle, _outrun_once_restarted)
    claim_lost(fixture, route.shuttle)


# ---------------------------------------------------------------- what befalls the nodes
def _troubled(fixture: SupervisorFixture) -> Prepared:
    """Nodes whose first claims are lost, the first crane's all; both cranes have to be homed, and are late with it."""
    route = fixture.route

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.hears = _losing(claim=LOST_TIMES)

    def crane(node: SimulatedNode) -> None:
        prepare(node)
        node.come_up()
        node.disturbances.waits = {"home"}

    def first(node: SimulatedNode) -> None:
        crane(node)
        node.disturbances.hears = lambda order: order["act"] != "claim"
        node.disturbances.refuses = {"home": "busy"}

    def second(node: SimulatedNode) -> None:
        crane(node)
        taking(JOB_MS)(node)

    return {**dict.fromkeys(fixture.yard.nodes, prepare), route.first: first, route.second: second}


def _unhomed_and_busy(node: SimulatedNode) -> None:
    node.come_up()
    node.disturbances.refuses = {"home": "busy"}


def _losing(**times: int) -> Any:
    """Loses so many of the next orders of an act on their way."""
    lost = Counter[str]()

    def hears(order: Any) -> bool:
        lost[order["act"]] += 1
        return lost[order["act"]] > times.get(order["act"], 0)

    return hears


def _home_refused(fixture: SupervisorFixture) -> None:
    """Wait until the first crane has refused to home."""
    crane = fixture.route.first
    order = fixture.await_order(crane, "home")
    fixture.await_word(crane, "job-report", {"id": order.body["id"], "state": "refused"})


def _restarted(node: SimulatedNode, now_ms: int) -> Sequence[Publication]:
    node.disturbances.hears = _losing(ask=2 * LOST_TIMES, transfer=LOST_TIMES)
    return node.reset(now_ms)


def _outrun_once_restarted(node: SimulatedNode, now_ms: int) -> Sequence[Publication]:
    at_the_next_claim(outrun)(node)
    return node.reset(now_ms)


def _homes_late(fixture: SupervisorFixture, crane: str) -> None:
    """A homing waits and is repeated as long as it does; it ends 'late', which moves nothing, and the next is done."""
    before = fixture.log.end
    accepted = {"act": "home", "state": "accepted"}
    waits = fixture.await_word(crane, "job-report", accepted, after=before)
    order = next(one for one in fixture.sent_to(crane, {"home"}) if one.body["id"] == waits.body["id"])
    still_repeated(fixture, crane, order, "SUP-05")
    # Its answer to a repeat need not say the reason again.
    failed = accepted | {"id": order.body["id"], "state": "failed"}
    fixture.await_word(crane, "job-report", failed, after=before)
    fixture.await_word(crane, "job-report", {"act": "home", "state": "done"}, after=before)
