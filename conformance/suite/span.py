"""How long a node was seen: a limit in time shows nothing in a run that is shorter than it."""

from __future__ import annotations

from contextlib import suppress

from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken, Unclear


def see_for(fixture: Fixture, ms: float, *, packets: bool = False) -> None:
    """Have heard the node for so long on one connection: where a run was shorter it is left alone and asked.

    A complete run is longer. Raises Unclear where a node that was there is not heard for so long even then. With
    `packets` whatever it sends counts, and not its messages alone.
    """
    if _heard_ms(fixture, packets) >= ms or not any(fixture.log.sent()):
        return
    fixture.watch(ms)
    with suppress(Broken, Unclear):  # It says what it has to say in a case of its own.
        fixture.ask()
    heard = _heard_ms(fixture, packets)
    fixture.need(
        heard >= ms, f"the node was heard for {heard:.0f} ms of a connection, and this takes {ms:.0f} ms"
    )


def _heard_ms(fixture: Fixture, packets: bool) -> float:
    """The longest time between two packets of the node on one connection."""
    first: dict[int, float] = {}
    longest = 0.0
    for trace in fixture.log.traces if packets else (message.trace for message in fixture.log.sent()):
        if trace.from_node:
            longest = max(longest, trace.at_ms - first.setdefault(trace.connection, trace.at_ms))
    return longest
