"""What an answered ask shows of a node, in the words of a walk."""

from __future__ import annotations

from conformance.suite.exchange import Answer
from conformance.suite.fixture import Fixture
from conformance.suite.walk.seen import Seen
from protocol.rules.states import MACHINES
from protocol.specification import STATE_OF_ROLE


def seen_in(fixture: Fixture, answer: Answer) -> Seen:
    """What an answered ask shows of the node."""
    roles = [STATE_OF_ROLE[role] for role in fixture.node.roles]
    machines = tuple(str(answer.body(name)[MACHINES[name][1]]) for name in roles)
    crane, berth, shuttle = (answer.body(STATE_OF_ROLE[role]) for role in ("crane", "berth", "shuttle"))
    job, state = answer.job
    axes = crane.get("axes") or ()
    return Seen(
        boot=answer.boot,
        mark=answer.mark,
        job=job,
        job_state=state,
        held=bool(answer.role_state.get("held")),
        holds=int(answer.role_state.get("holds", 0)),
        faults=int(answer.body("fault").get("faults", 0)),
        machines=machines,
        load=str(crane.get("load", "")),
        homed=bool(axes) and all(axis[2] for axis in axes),
        arrival=berth.get("arrival"),
        stop=shuttle.get("stop"),
        starts=answer.starts,
        link=int(answer.body("node-status").get("link", 0)),
        place=str(shuttle.get("place", "")),
        position=int(axes[0][0]) if axes else 0,
    )
