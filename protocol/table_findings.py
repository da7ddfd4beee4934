"""What is wrong with the tables of a specification: silent pairs, rows that overlap, guards that nothing says.

The guards are tried on the facts that stand with them in `tables/guards.toml`: a row whose guard is beside another one
must not hold for the same facts, and where none of them holds the table has to say what then.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any

from protocol.formula import NotAFormula, holds, names
from protocol.machine_guards import MACHINE_GUARDS
from protocol.specification import Specification
from protocol.transition_table import NoWay, Table, Transition

REQUIREMENT = re.compile(r"\b[A-Z]{3}-\d\d\b")
NOT_ASKED = frozenset({"unreadable", "raise-mark", "fit"})
"""Rows of the table `order` that are no question about an order."""


def table_findings(spec: Specification) -> Iterator[str]:
    """Every fault of the tables, each as one sentence."""
    for table in spec.tables.values():
        yield from _states(table)
        yield from _rows(spec, table)
        yield from _no_ways(table)
        yield from _event_words(table)
    yield from _guards(spec)
    yield from _names(spec)


class Known(dict[str, Any]):
    """Facts as a guard sees them: the fields of what is in them are attributes too."""

    def __getattr__(self, name: str) -> Any:
        return self.get(name)

    def __missing__(self, name: str) -> Any:
        return None


def known(facts: Mapping[str, Any]) -> Known:
    """`facts` of the data file as a guard sees them."""
    return Known({name: known(fact) if isinstance(fact, Mapping) else fact for name, fact in facts.items()})


def _states(table: Table) -> Iterator[str]:
    reached, new = {table.initial}, {table.initial}
    while new:
        new = {row.next for row in table.transitions if row.state in new} - reached
        reached |= new
    for state in table.states:
        if state not in reached:
            yield f"{table.name}: nothing leads to {state!r}"
        ways = [row for row in table.leaving(state) if row.next != state]
        if state not in table.final and not ways:
            yield f"{table.name}: nothing leads out of {state!r}, which is not a final state"
        for row in ways:
            if state in table.final and row.event not in table.begins_anew:
                yield f"{table.name}: {row.event!r} leads out of the final state {state!r}"


def _rows(spec: Specification, table: Table) -> Iterator[str]:
    for state in table.states:
        for event in table.events:
            rows, no_way = list(table.rows(state, event)), table.no_way(state, event)
            where = f"{table.name}: {event!r} in {state!r}"
            if not rows and no_way is None:
                yield f"{where} is silent: neither a row nor a reason why there is none"
            elif rows:
                yield from _beside(where, rows, no_way)
                guarded = [row for row in rows if row.guard]
                yield from _guarded(spec, where, guarded, rest=len(guarded) < len(rows), no_way=no_way)


def _beside(where: str, rows: list[Transition], no_way: NoWay | None) -> Iterator[str]:
    """A row without a guard is always taken: before it stand only rows that a newer minor version has put there."""
    for number, row in enumerate(rows):
        if not row.guard:
            newer = all(one.since > row.since for one in rows[:number])
            if number + 1 < len(rows) or not newer or no_way is not None:
                yield f"{where} has a row that is always taken, and something beside it"


def _guarded(
    spec: Specification, where: str, rows: list[Transition], *, rest: bool, no_way: NoWay | None
) -> Iterator[str]:
    """Rows of one pair that have guards; `rest`: a row behind them is taken where none of them holds.

    Two may hold together where the first is of a newer minor version: it was put in front of the other.
    """
    open_ = no_way is not None and no_way.kind == "ignored"
    since = {row.guard: row.since for row in rows}
    rules = [spec.guards.get(row.guard) for row in rows]
    asked = [rule.name for rule in rules if rule is not None and not rule.behind]
    if len({row.guard for row in rows}) < len(rows):
        yield f"{where} has two rows with one guard"
    if any(rule is not None and rule.behind for rule in rules[:-1]):
        yield f"{where} has a row behind one that is always taken"
    facts = [one for rule in rules if rule is not None for one in (rule.holds, rule.fails) if one is not None]
    taken = [[name for name in asked if _holds(name, one)] for one in facts]
    for one, found in zip(facts, taken, strict=True):
        if any(since[first] <= since[then] for first, then in pairwise(found)):
            yield f"{where}: {' and '.join(found)} hold together for {dict(one)}"
    closed = rest or any(rule is not None and rule.behind for rule in rules) or all(taken)
    if rows and not closed and not open_:
        yield f"{where} says nothing of what happens where none of its guards holds"
    if rows and closed and open_ and not rest:
        yield f"{where} is said to be ignored, and a guard always holds"


def _holds(guard: str, facts: Mapping[str, Any]) -> bool:
    return guard in MACHINE_GUARDS and MACHINE_GUARDS[guard](known(facts))


def _no_ways(table: Table) -> Iterator[str]:
    seen: set[tuple[str, str]] = set()
    for one in table.no_ways:
        for state in one.states:
            for event in one.events:
                where = f"{table.name}: {event!r} in {state!r}"
                if state not in table.states or event not in table.events:
                    yield f"{where} is {one.kind}, and there is no such state or event"
                if (state, event) in seen:
                    yield f"{where} is listed twice"
                if one.kind == "impossible" and any(table.rows(state, event)):
                    yield f"{where} is impossible, and has a row"
                seen.add((state, event))


def _event_words(table: Table) -> Iterator[str]:
    yield from (
        f"{table.name}: event {one!r} is not explained"
        for one in table.events
        if one not in table.event_words
    )
    yield from (
        f"{table.name} explains {one!r}, which is no event of it"
        for one in table.event_words
        if one not in table.events
    )


def _guards(spec: Specification) -> Iterator[str]:
    used = {row.guard for table in spec.tables.values() for row in table.transitions if row.guard}
    used |= {check.name for check in spec.order_checks} - NOT_ASKED
    for name in sorted(used - spec.guards.keys()):
        yield f"guard {name} is asked, and guards.toml does not say what it is"
    for name in sorted(spec.guards.keys() - used):
        yield f"guard {name} stands in guards.toml, and no table asks it"
    for rule in spec.guards.values():
        for id_ in rule.requirements:
            if id_ not in spec.requirements:
                yield f"guard {rule.name} names {id_}, which is not a requirement"
        try:
            yield from (
                f"guard {rule.name} speaks of {word!r}, which guards.toml does not explain"
                for word in sorted(names(rule.formula))
                if word not in spec.guard_words
                and word.partition(".")[0] not in ("order", "report", "message")
            )
            if not holds(rule.formula, rule.holds):
                yield f"guard {rule.name} does not hold for its own facts"
            if rule.fails is not None and holds(rule.formula, rule.fails):
                yield f"guard {rule.name} holds for the facts for which it should not"
        except (NotAFormula, SyntaxError) as error:
            yield f"guard {rule.name}: {error}"
        if rule.fails is None and not rule.behind:
            yield f"guard {rule.name} has no facts for which it does not hold"


def _names(spec: Specification) -> Iterator[str]:
    """Every id that a reason, a sentence or a meaning names is a requirement."""
    texts = [(table.name, one.why) for table in spec.tables.values() for one in table.no_ways]
    texts += [(table.name, said) for table in spec.tables.values() for said in table.event_words.values()]
    texts += [(rule.name, rule.says) for rule in spec.guards.values()]
    texts += list(spec.guard_words.items())
    texts += [(rule.id, f"{rule.says} {rule.why}") for rule in spec.requirements.values()]
    for where, text in texts:
        for id_ in REQUIREMENT.findall(text):
            if id_ not in spec.requirements:
                yield f"{where} names {id_}, which is not a requirement"
