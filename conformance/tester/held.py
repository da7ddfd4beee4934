"""The end of a run over a node that it may have set in motion: the node is told to hold, however the run ends."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from conformance.suite.fixture import Fixture
from conformance.suite.preamble import leave_held
from protocol.specification import OPEN, STATE_OF_ROLE
from protocol.wire.fail_stop import Failed


@contextmanager
def held_at_its_end(fixture: Fixture, tell: Callable[[str], object], *, moves: bool) -> Iterator[None]:
    """Where the block does not come to its own end and the machine may be moving, tell the node to hold.

    A signal, somebody else on the bus and an internal error are alike in this. It is never asked first, and
    the end does not wait for it: a hold is no protection. `tell` gets what came of it. A block that comes to its end
    leaves a node alone, unless it is at work.
    """
    try:
        yield
    except BaseException:
        if moves:
            tell(hold(fixture))
        raise
    if moves and is_at_work(fixture):
        tell(hold(fixture))


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
    if held is None:
        return f"{fixture.name} could not be told to hold, and may still move."
    return (
        f"{fixture.name} is held."
        if held
        else f"{fixture.name} was told to hold, and has not said that it does."
    )
