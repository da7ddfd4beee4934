"""The transition tables of the roles, two bytes a row."""

from __future__ import annotations

from collections.abc import Iterator

from conformance.publish.artefacts.header import macro
from protocol.specification import STATE_OF_ROLE, Specification
from protocol.transition_table import Table, Transition

HEAD = """\
/* The transition tables of the roles, two bytes a row: from the lowest bit 3 of the state, 5 of the event, 3 of the
 * next state, 2 of the guard. A guard is 0 for none, 1 where the fact must hold, 2 where it must not. Made from the
 * specification by `python -m conformance.publish.firmware`; do not edit. */
"""
STATE_FIELD = {"crane": "mode", "berth": "state", "shuttle": "state"}
FIRST_OTHER = 16
"""Events that are acts have the act's number; the others come from here on."""


def machine_tables(spec: Specification) -> str:
    """The text of yw_machine_tables.h."""
    return "\n".join([HEAD, *_lines(spec), ""])


def _lines(spec: Specification) -> Iterator[str]:
    acts = spec.words("act")
    others = [e for role in STATE_FIELD for e in spec.tables[role].events if e not in acts]
    events = {act: number for number, act in enumerate(acts)}
    events |= {event: FIRST_OTHER + number for number, event in enumerate(dict.fromkeys(others))}
    listed = ", ".join(f"{macro('event', event)} = {number}" for event, number in events.items())
    yield f"enum {{{listed}}};\n"
    halting = sum(
        1 << n for n, code in enumerate(spec.words("fault_code")) if spec.fault_level(code) == "halt"
    )
    yield f"/* The faults of level halt, one bit each. */\n#define YW_HALT_CODES 0x{halting:04X}U\n"
    for role in STATE_FIELD:
        table = spec.tables[role]
        states = states_of(spec, role)
        yield f"#if YW_ROLE == {macro('role_is', role)}"
        yield "/* " + table.title + " */"
        yield f"#define YW_ROLE_ACTS {macro('acts_of', role)}"
        yield f"#define YW_INITIAL {states.index(table.initial)}"
        yield f"static const uint16_t yw_rows[{len(table.transitions)}] YW_FLASH = {{"
        for row in table.transitions:
            packed = (
                states.index(row.state)
                | events[row.event] << 3
                | states.index(row.next) << 8
                | guard_of(table, row) << 11
            )
            when = ", ".join(filter(None, (row.state, row.event, row.guard)))
            yield f"    0x{packed:04X}, /* {when}: {row.next} */"
        yield "};"
        yield "#endif\n"


def states_of(spec: Specification, role: str) -> tuple[str, ...]:
    """The states of a role in the order of their integers in its state message. Raises ValueError where they differ."""
    words = tuple(spec.messages[STATE_OF_ROLE[role]]["properties"][STATE_FIELD[role]]["enum"])
    if set(words) != set(spec.tables[role].states):
        raise ValueError(f"table and message of the {role} name different states")
    return words


def guard_of(table: Table, row: Transition) -> int:
    """0 for a row without guard, 1 for the first of a pair, 2 for the second. Raises ValueError for more."""
    if not row.guard:
        return 0
    guards = [one.guard for one in table.rows(row.state, row.event)]
    if len(guards) != 2:
        raise ValueError(
            f"{table.name}: {row.state}, {row.event} has {len(guards)} rows; the core knows pairs"
        )
    return 1 + guards.index(row.guard)
