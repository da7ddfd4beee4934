"""Takes every rule away in turn: a small budget has to find that it is gone, or a reason says why none can.

A rule is a check of an order, a row of a table that a crane's yard goes by, or one of the small methods that a rule of
the supervisor or of its sessions is. A budget is tried only where the rule decides something in it: where the check
holds, the row is taken, or the method answers otherwise than without the rule. What is known stands in `kills.json`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from protocol.machine_guards import Facts
from protocol.specification import specification
from protocol.state_machine import NotInTable, StateMachine
from protocol.transition_table import Table, Transition
from reference_node.controller.order_desk import OrderDesk
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.send.holds import Holds
from reference_node.supervisor.supervisor import Supervisor
from tests.proof.engine.explore import Exploration
from tests.proof.yard.budget import Budget
from tests.proof.yard.yard import CannotBegin, Yard

MOST = 100_000
"""Within so many states a budget has to find what is missing."""
SEVERAL = 4
NO_AGREEMENT = "no undisturbed way leads to agreement"
TOLD = 110
"""Characters that are kept of what broke."""
KNOWN = Path(__file__).parent / "kills.json"
TABLES = ("belief", "order_sent", "job", "crane")
"""Those that the yard of one crane goes by."""

Taken = Callable[[], AbstractContextManager[Any]]


def _calm(*may: str) -> Budget:
    return Budget("crane", dict.fromkeys(may, 1), calm=True, lag=0)


BUDGETS = (
    _calm(), _calm("repeat"), _calm("silence"), _calm("expiry"), _calm("late order"), _calm("cancel"),
    _calm("late word"),
    _calm("give-up"), _calm("fault"), _calm("hold"), _calm("other hold"), _calm("reset"), _calm("restart"),
    _calm("outage"), _calm("second"), _calm("cancel", "overtake"), _calm("hold", "other hold"),
    _calm("reset", "late order"), _calm("reset", "late word"), _calm("restart", "old map"),
)  # fmt: skip
"""In the order in which they are tried, the cheapest first."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, how it is taken away, and how it is watched: `seen` is called where it decides something."""

    name: str
    taken: Taken
    watched: Callable[[Callable[[str], None]], AbstractContextManager[Any]] | None = None


@dataclass(frozen=True, slots=True)
class Kill:
    """Which budget found that a rule was missing, after how many states, and what broke; '' where none did."""

    budget: str = ""
    states: int = 0
    what: str = ""


# ---------------------------------------------------------------- checks of an order
def _checks() -> Iterator[Rule]:
    for check in specification().order_checks:
        if check.name in OrderDesk.guards:
            yield _check(check.name)


def _check(check: str) -> Rule:
    name, guard = f"check {check}", OrderDesk.guards[check]

    def taken() -> AbstractContextManager[Any]:
        return patch.object(OrderDesk, "guards", {**OrderDesk.guards, check: lambda order, node: False})

    def watched(seen: Callable[[str], None]) -> AbstractContextManager[Any]:
        def noting(order: Any, node: Any) -> bool:
            holds = guard(order, node)
            if holds:
                seen(name)
            return holds

        return patch.dict(OrderDesk.guards, {check: noting})

    return Rule(name, taken, watched)


# ---------------------------------------------------------------- rows of tables
def _rows() -> Iterator[Rule]:
    for name in TABLES:
        table = specification().tables[name]
        for row in table.transitions:
            yield Rule(_name(table, row), _without(table, row))


def _name(table: Table, row: Transition) -> str:
    return f"row {table.name}: {row.state}, {row.event}" + (f" if {row.guard}" if row.guard else "")


def _without(table: Table, row: Transition) -> Taken:
    @contextmanager
    def taken() -> Iterator[None]:
        left = tuple(one for one in table.transitions if one is not row)
        with patch.dict(specification().tables, {table.name: replace(table, transitions=left)}):
            yield

    return taken


def fired(walk: Callable[[], int], found: dict[str, Kill], name: str) -> None:
    """Enter into `found` the rows that `walk` takes, how many states had been met, and what breaks without each.

    Up to the moment at which a row is taken a walk without it is the same, state by state. There it fails where the
    table has nothing else for that event; a row with something else in its place is left to `kill`. `walk` goes one
    step, and says how many states were met.
    """
    rows = {id(row): (table, row) for table in map(_table, TABLES) for row in table.transitions}
    fire, met = StateMachine.fire, 0

    def noting(machine: StateMachine, event: str, facts: Facts | None = None) -> Transition | None:
        before = machine.state
        row = fire(machine, event, facts)
        table, taken = rows.get(id(row), (None, None))
        if table is not None and taken is not None and not found.get(_name(table, taken), Kill()).what:
            what = _without_it(machine, before, event, facts or {}, table, taken)
            found[_name(table, taken)] = Kill(name, met + 1, what)
        return row

    with patch.object(StateMachine, "fire", noting):
        while (now := walk()) > met:
            met = now


def _without_it(
    machine: StateMachine, state: str, event: str, facts: Facts, table: Table, taken: Transition
) -> str:
    others = [row for row in table.rows(state, event) if row is not taken]
    no_way = table.no_way(state, event)
    if any(machine._holds(row.guard, facts) for row in others) or (no_way and no_way.kind == "ignored"):
        return ""
    who = "crane" if table.name in ("job", "crane") else "chief"
    return f"{who} fails: {NotInTable(f'{table.title}: nothing for {event!r} in state {state!r}')!r}"[:TOLD]


@contextmanager
def _watched_rows(seen: Callable[[str], None]) -> Iterator[None]:
    """All rows at once."""
    rows = {id(row): _name(table, row) for table in map(_table, TABLES) for row in table.transitions}
    fire = StateMachine.fire

    def noting(machine: StateMachine, event: str, facts: Facts | None = None) -> Transition | None:
        found = fire(machine, event, facts)
        if id(found) in rows:
            seen(rows[id(found)])
        return found

    with patch.object(StateMachine, "fire", noting):
        yield


def _table(name: str) -> Table:
    return specification().tables[name]


# ---------------------------------------------------------------- rules that are methods
METHODS: tuple[tuple[type, str, Any], ...] = (
    *((Rules, name, "") for name in (
        "bus_away", "not_owned", "other_tables", "silent", "held", "not_ready", "busy", "machines_beside",
        "hand_beside",
    )),
    (Rules, "clear_for_a_person", True),
    (Session, "is_for", True),
    (Session, "believes", True),
    (Session, "has_reported", True),
    (Session, "idle", True),
    (Session, "reachable", True),
    (Supervisor, "believes_map", True),
    (Supervisor, "doubt_after", None),
    (Holds, "due", []),
    (Holds, "why_no_resume", ""),
)  # fmt: skip
"""What each answers where it is taken away."""


def _methods() -> Iterator[Rule]:
    for owner, method, answer in METHODS:
        yield _method(owner, method, answer)


def _method(owner: type, method: str, answer: Any) -> Rule:
    name, real = f"{owner.__name__}.{method}", getattr(owner, method)

    def taken() -> AbstractContextManager[Any]:
        return patch.object(owner, method, lambda *_args, **_kwargs: answer)

    def watched(seen: Callable[[str], None]) -> AbstractContextManager[Any]:
        def noting(*args: Any, **kwargs: Any) -> Any:
            said = real(*args, **kwargs)
            if said != answer or answer is None:
                seen(name)
            return said

        return patch.object(owner, method, noting)

    return Rule(name, taken, watched)


# ---------------------------------------------------------------- trying
def rules() -> list[Rule]:
    """Every rule that is taken away."""
    return [*_checks(), *_methods(), *_rows()]


def deciding(budget: Budget) -> tuple[set[str], int]:
    """The rules that decide something in a budget, and how many states it has with all of them."""
    found: set[str] = set()
    with ExitStack() as stack:
        stack.enter_context(_watched_rows(found.add))
        for rule in rules():
            if rule.watched is not None:
                stack.enter_context(rule.watched(found.add))
        states = Exploration(Yard(budget), most=MOST).run().states
    return found, states


def kill(rule: Rule, budget: Budget, usual: int) -> Kill:
    """Take the rule away and explore until it shows; `usual` is how many states there are with the rule.

    Without it there may be no end to them, as where an order is refused for ever: what has not agreed in several times
    as many does not agree. Where so many are over the bound, only what goes wrong in a state tells.
    """
    try:
        with rule.taken():
            found = Exploration(Yard(budget), most=min(MOST, SEVERAL * usual)).run()
    except CannotBegin as trouble:
        return Kill(budget.name, 1, str(trouble)[:TOLD])
    what = ""
    if found.violation is not None:
        what = found.violation.what
    elif found.stuck:
        what = "there is no way on"
    elif SEVERAL * usual <= MOST and (found.lost or not found.agreed):
        what = NO_AGREEMENT
    return Kill(budget.name, found.states, what[:TOLD]) if what else Kill()


def known() -> dict[str, dict[str, Any]]:
    """What is known of each rule, by its name."""
    if not KNOWN.exists():
        return {}
    found: dict[str, dict[str, Any]] = json.loads(KNOWN.read_text(encoding="utf-8"))
    return found


def again(only: str) -> int:
    """Take away once more, in the budget that found it, each rule of which that is known; 1 where one is not found.

    What a seeded walk has found is left to `tests.proof.walks`.
    """
    budgets, by_name = {one.name: one for one in BUDGETS}, {rule.name: rule for rule in rules()}
    usual: dict[str, int] = {}
    found, lived = known(), []
    if not any(row["budget"] in budgets and only in name for name, row in found.items()):
        print(f"no known kill has {only!r} in its name: nothing was tried")
        return 1
    for name, row in found.items():
        if row["budget"] not in budgets or only not in name:
            continue
        budget = budgets[row["budget"]]
        if row["what"] == NO_AGREEMENT and budget.name not in usual:
            usual[budget.name] = Exploration(Yard(budget), most=MOST).run().states
        outcome = kill(by_name[name], budget, usual.get(budget.name, MOST))
        row |= {"states": outcome.states, "what": outcome.what} if outcome.what else {}
        lived += [] if outcome.what else [name]
        print(f"{name}: {outcome.what or 'NOT FOUND'} ({outcome.states:,} states)", flush=True)
    _keep(found)
    print(
        f"{len(lived)} of {sum(bool(row['what']) for row in found.values())} not found again: {', '.join(lived)}"
    )
    return 1 if lived else 0


def _keep(found: dict[str, dict[str, Any]]) -> None:
    KNOWN.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")


def main(only: str) -> int:
    """Take every rule away in turn, budget by budget; what has been found is done again only where it is named."""
    found = known()
    for rule in rules():
        found.setdefault(rule.name, {"budget": "", "states": 0, "what": "", "reason": "", "decides": []})
    for budget in BUDGETS:
        decides, usual = deciding(budget)
        print(f"{budget.name}: {len(decides)} rules decide something", flush=True)
        for rule in rules():
            row = found[rule.name]
            if rule.name not in decides or only not in rule.name or (row["what"] and not only):
                continue
            if budget.name in row["decides"] and not only:
                continue
            row["decides"] = sorted({*row["decides"], budget.name})
            outcome = kill(rule, budget, usual)
            if outcome.what:
                row |= {
                    "budget": outcome.budget,
                    "states": outcome.states,
                    "what": outcome.what,
                    "reason": "",
                }
            print(f"  {rule.name}: {outcome.what or 'not found'} ({outcome.states:,} states)", flush=True)
            _keep(found)
    return 1 if any(not one["what"] and not one["reason"] for one in found.values()) else 0
