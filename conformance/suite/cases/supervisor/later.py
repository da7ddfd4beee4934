"""Later in a supervisor's life: what holds on the first connection and for a first job holds on and for every other.

Most cases are those at work once more. The supervisor loses its first connection while every node is still silent, so
that all it does with them it does on its second; and cranes have to be homed, so that no transfer is a first job.
"""

from __future__ import annotations

from conformance.peers.node import SimulatedNode
from conformance.suite.case import Body, case_of
from conformance.suite.cases.supervisor.again import supervisor_second_arrival
from conformance.suite.cases.supervisor.claim import (
    supervisor_hints,
    supervisor_keeps_hold,
    supervisor_other_digest,
    supervisor_owns_all,
    supervisor_replaced,
)
from conformance.suite.cases.supervisor.silence import (
    supervisor_asks_after_silence,
    supervisor_late_boot,
    supervisor_silence,
)
from conformance.suite.cases.supervisor.start import (
    supervisor_repeats,
    supervisor_works,
    supervisor_writes_as_read,
)
from conformance.suite.cases.supervisor.work import (
    supervisor_new_boot,
    supervisor_off,
    supervisor_strange_report,
)
from conformance.suite.supervisor_fixture import OWNED_MS, QUIET_MS, SupervisorFixture, supervised

CONNECTIONS = 4
"""An ask is not always due at the very moment at which a broker hands out what it has kept."""
PAGE = """{summary} So later in a life too.

Plays `{id}` once more. The connection is cut as soon as it stands and before any node has answered on it: all that the
nodes say and get is on the one that the supervisor makes next. And each crane has to be homed, so that what it has to
do then is its second job.
"""


def _later(first: Body, name: str = "") -> None:
    """Declare a case that plays `first` on the second connection of each life, with the second job of each crane.

    `name`: where its own would be too long.
    """
    known = case_of(first)

    def body(fixture: SupervisorFixture) -> None:
        with fixture.later():
            first(fixture)

    body.__name__ = f"{name or first.__name__}_again"
    body.__doc__ = PAGE.format(summary=known.summary, id=known.id)
    after = (known.id,) if known.id == WORKS else (known.id, f"{WORKS}-again")
    supervised(*known.requirements, after=after, applies=known.applies)(body)


@supervised("SUP-10", after=("supervisor-half-an-answer",))
def supervisor_retained_answer(fixture: SupervisorFixture) -> None:
    """What a broker has kept of a node is no part of its answer, in this boot of the node neither.

    A crane tells its state and hears no ask, and the supervisor loses its connection, several times. On each next one
    the broker hands it what it has kept of that crane, which hears now, but all that it says is lost on the way except
    its reports. The answer with the token is not whole then: the crane gets nothing but asks.
    """
    name = fixture.route.first

    def deaf(node: SimulatedNode) -> None:
        node.disturbances.hears = lambda order: order["act"] != "ask"

    fixture.begin({name: deaf})
    fixture.await_word(name, "crane-status", {}, within_ms=OWNED_MS)
    before = fixture.log.end
    fixture.yard.disturb(name, _reports_only)
    for _ in range(CONNECTIONS):
        fixture.watch((fixture.spec.timing["order_repeat"].least or 0) / 2)
        since = fixture.log.end
        fixture.lose_connection()
        fixture.await_word(name, "job-report", {"act": "ask"}, after=since, within_ms=OWNED_MS)
    fixture.watch(fixture.stretched(QUIET_MS))
    sent = [one for one in fixture.sent_to(name, after=before) if one.body.get("act") not in ("ask", "hold")]
    fixture.none(sent, "SUP-10", f"nothing but asks to {name}", lambda one: one.body.get("act"))


def _reports_only(node: SimulatedNode, _now_ms: int) -> None:
    node.disturbances.hears = lambda _order: True
    node.disturbances.says = lambda message, _body: message == "job-report"


WORKS = case_of(supervisor_works).id
for _first in (
    supervisor_works,
    supervisor_owns_all,
    supervisor_hints,
    supervisor_other_digest,
    supervisor_repeats,
    supervisor_new_boot,
    supervisor_off,
    supervisor_strange_report,
    supervisor_late_boot,
    supervisor_silence,
    supervisor_second_arrival,
    supervisor_keeps_hold,
    supervisor_replaced,
    supervisor_writes_as_read,
):
    _later(_first)
_later(supervisor_asks_after_silence, "supervisor_asked")
