"""The hold of a node that a run may have set in motion."""

from __future__ import annotations

from contextlib import suppress

from conformance.suite.fixture import Fixture
from conformance.suite.preamble import leave_held
from protocol.caution import outcome_of_hold
from protocol.specification import OPEN, STATE_OF_ROLE
from protocol.wire.fail_stop import Failed


def is_at_work(fixture: Fixture) -> bool:
    """Whether the node has said last that a job is open, and not that a hold stands; or nothing that can be read."""
    states = [fixture.log.latest(STATE_OF_ROLE[role]) for role in fixture.node.roles if role in STATE_OF_ROLE]
    return any(
        one is None
        or not one.body
        or (one.body.get("job_state") in OPEN and one.body.get("held") is not True)
        for one in states
    )


def hold(fixture: Fixture) -> str:
    """Tell the node to hold; gives what came of it, in words."""
    held: bool | None = None
    # Whatever it is, the run ends; after an error in a thread nothing is published any more.
    with suppress(Exception, Failed):
        held = leave_held(fixture)
    return outcome_of_hold(fixture.name, held)
