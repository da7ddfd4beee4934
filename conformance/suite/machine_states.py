"""What holds for the state of a machine of any role: how it comes up, and how it goes on from there."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator

from conformance.oracle.link_log import Message
from conformance.suite.fixture import Fixture, Inputs
from protocol.rules.states import MACHINES


def first_states(fixture: Fixture, message: str) -> Iterator[Message]:
    """Demand the first state of the table of each boot's first `message`, and give these, for what else they must say.

    Only boots of which the first connection was seen are judged; without one the case is inconclusive.
    """
    table, field, _, requirement = MACHINES[message]
    initial = fixture.asked.tables[table].initial
    expected = f"{'mode ' if field == 'mode' else ''}{initial!r} at first"
    first = None
    for first in _first_of_boot(fixture, message):
        fixture.equal(first.body[field], initial, requirement, expected, first)
        yield first
    late = f"the {table} had started before the kit; switch it on once the kit waits for it"
    fixture.need(first is not None, late)


def _first_of_boot(fixture: Fixture, name: str) -> list[Message]:
    """The first message of that name of each boot of which the first connection was seen."""
    seen = {m.body["boot"] for m in fixture.log.sent("node-status") if m.body and m.body.get("link") == 1}
    firsts: dict[int, Message] = {}
    for message in fixture.log.sent(name):
        if message.body and message.body["boot"] in seen:
            firsts.setdefault(message.body["boot"], message)
    return list(firsts.values())


def settles(fixture: Fixture, message: str, state: str, inputs: Inputs, requirement: str) -> None:
    """Demand that a machine which has just come to stand overlooks sensors that still change."""
    fixture.stimulate(*inputs)
    _play_to_the_end(fixture, inputs)
    answer = fixture.ask()
    seen = answer.body(message).get("state")
    fixture.check(seen == state, requirement, f"{state!r} while it settles", seen, answer.report)


def is_pushed(fixture: Fixture, message: str, state: str, inputs: Inputs, requirement: str) -> None:
    """Demand that a machine which has stood for longer is lost when sensors change, with 'input-lost'."""
    fixture.watch(fixture.stretched((fixture.spec.timing["settling"].value or 0) + SETTLED_MS))
    before = fixture.log.end
    fixture.stimulate(*inputs)
    lost = fixture.wait_for(
        lambda m: m.from_node and m.name == message and m.body.get("state") == "lost",
        fixture.patience_ms,
        before,
    )
    expected = f"'lost' where a sensor changes in {state!r} and nothing was ordered"
    fixture.check(lost is not None, requirement, expected, "no such state")
    _play_to_the_end(fixture, inputs)
    answer = fixture.ask()
    active = answer.body("fault").get("active", [])
    fixture.check("input-lost" in active, requirement, "'input-lost' active", active, answer.report)


SETTLED_MS = 500


def _play_to_the_end(fixture: Fixture, inputs: Inputs) -> None:
    """What is still to be played would come into whatever follows, a job of the next case too."""
    fixture.watch(fixture.stretched(sum(delay for _, _, delay in inputs) + SETTLED_MS))


def walk_of_states(fixture: Fixture, message: str) -> None:
    """Demand of every two messages that follow each other in a boot that the table allows the one after the other."""
    table, field, requirement, _ = MACHINES[message]
    told = ((one.body["boot"], one.body[field], one) for one in fixture.log.sent(message) if one.body)
    walk(fixture, fixture.asked.tables[table].allows, requirement, field, told)


def walk(
    fixture: Fixture,
    allows: Callable[[str, str], bool],
    requirement: str,
    field: str,
    told: Iterable[tuple[Hashable, str, Message]],
    first: Callable[[Hashable], str | None] = lambda _thing: None,
) -> bool:
    """Demand of every state that was told that it may follow the one told before of the same thing.

    `told` gives what it is of, the state, and where it was told; `first` is the state of a thing before any was told,
    if that is known. Gives whether any was.
    """
    before: dict[Hashable, str] = {}
    for key, state, message in told:
        old = before[key] if key in before else first(key)
        if old is not None:
            fixture.check(
                allows(old, state), requirement, f"a {field} that may follow {old!r}", state, message
            )
        before[key] = state
    return bool(before)
