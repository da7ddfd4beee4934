"""An invalid message of a supervisor stands before what came of it: a node that cannot read an order answers nothing.

Which messages are valid is judged by a case of its own from all that was sent. Here it is the first cause of another.
"""

from __future__ import annotations

from conformance.suite.fixture import Fixture
from conformance.suite.message_flaws import flaws
from conformance.tester.evidence import Evidence, gather


def first_flaw(fixture: Fixture, after: int, before: float) -> Evidence | None:
    """The first breach of a MUST by a message of the one under test between two traces; None where there is none."""
    for message in fixture.log.sent(after=after):
        if message.number > before:
            break
        for flaw in flaws(message):
            if fixture.spec.requirements[flaw.requirement].level == "MUST":
                return gather(flaw, fixture.log)
    return None
