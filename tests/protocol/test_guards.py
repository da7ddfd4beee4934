"""The guards: what is published of them is what the functions do, and the tables leave no pair without an answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from conformance.publish.site import sources
from protocol.formula import NotAFormula, holds, names
from protocol.guard_rule import GuardRule
from protocol.guards import ORDER_GUARDS
from protocol.machine_guards import MACHINE_GUARDS
from protocol.specification import Specification, specification
from protocol.table_findings import REQUIREMENT, known, table_findings
from protocol.transition_table import NoWay, Table, Transition
from tests.examples import examples
from tests.publish.versions import version

SPEC = specification()
RULES = list(SPEC.guards.values())


def by_name(rule: GuardRule) -> str:
    return rule.name


# ---------------------------------------------------------------- the functions and what is published of them
def asked(rule: GuardRule, facts: Mapping[str, Any]) -> bool:
    """What the function of the guard says to these facts."""
    if rule.name in MACHINE_GUARDS:
        return MACHINE_GUARDS[rule.name](known(facts))
    return ORDER_GUARDS[rule.name](facts["order"], node_of(facts))


def node_of(facts: Mapping[str, Any]) -> Any:
    """A node that knows these facts."""
    node, job, role = (dict(facts.get(name) or {}) for name in ("node", "job", "role"))
    questions: dict[str, Callable[..., Any]] = {
        "allows": lambda act: role["has_row"],
        "load_fits": lambda order: role["load_fits"],
        "knows_place": lambda order: role["knows_place"],
        "within_table": lambda order: role["within_table"],
        "within_reach": lambda order: role["within_reach"],
        "finding_fits": lambda order: node["finding_fits"],
    }
    a_role = SimpleNamespace(name=role.get("name", "crane"), **questions)
    known_of_node = {
        "boot": 1,
        "mark": 0,
        "mark_before": 0,
        "uptime": 0,
        "bench": False,
        "held": False,
    } | node
    return SimpleNamespace(
        **known_of_node,
        job=SimpleNamespace(id=job["id"], is_open=job.get("open", False)) if job else None,
        roles={"crane": a_role},
        role_for=lambda act: a_role if role else None,
    )


def true_to_crane(facts: dict[str, Any]) -> dict[str, Any]:
    """The same for a node that is a crane: which acts it takes is not drawn."""
    given_acts = {"acts": sorted(SPEC.acts_of("crane")), "jobs": sorted(SPEC.jobs)}
    return facts | {"node": {**facts.get("node", {}), **given_acts}}


@pytest.mark.parametrize("rule", RULES, ids=by_name)
def test_a_guard_says_of_its_own_facts_what_is_published(rule: GuardRule) -> None:
    assert asked(rule, true_to_crane(dict(rule.holds)))
    assert rule.behind or (rule.fails is not None and not asked(rule, true_to_crane(dict(rule.fails))))


def leaves(facts: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    """Every value by its name: `order.id`."""
    found: dict[str, Any] = {}
    for name, value in facts.items():
        path = f"{above}.{name}" if above else name
        found |= leaves(value, path) if isinstance(value, Mapping) else {path: value}
    return found


POOL: dict[str, list[Any]] = {}
for _one in RULES:
    for _facts in (_one.holds, _one.fails or {}):
        for _path, _value in leaves(_facts).items():
            POOL.setdefault(_path, []).append(_value)
for _path, _values in POOL.items():
    if all(isinstance(value, bool) for value in _values):
        POOL[_path] = [True, False]
    elif all(isinstance(value, int) for value in _values):
        POOL[_path] += [max(0, value + step) for value in _values for step in (-1, 1)]
POOL["order.act"] += SPEC.words("act")
POOL["order.place"] = ["quay-n", "nowhere"]


@st.composite
def facts_for(draw: st.DrawFn, rule: GuardRule) -> dict[str, Any]:
    """Facts of the kinds that the guard asks for; what it asks for with `has` may be missing."""
    wanted = {
        *leaves(rule.holds),
        *leaves(rule.fails or {}),
        *(one for one in names(rule.formula) if one in POOL),
    }
    absent = {one for one in re.findall(r"has\(([^)]+)\)", rule.formula) if draw(st.booleans())}
    facts: dict[str, Any] = {"order": {"act": "park"}}
    for path in sorted(wanted):
        if path not in absent and path.partition(".")[0] not in absent:
            whole, _, field = path.partition(".")
            value = draw(st.sampled_from(POOL[path]))
            if field:
                facts.setdefault(whole, {})[field] = value
            else:
                facts[whole] = value
    return true_to_crane(facts)


@pytest.mark.parametrize("rule", RULES, ids=by_name)
@given(data=st.data())
@examples(60)
def test_the_formula_of_a_guard_is_its_function(rule: GuardRule, data: st.DataObject) -> None:
    facts = data.draw(facts_for(rule))
    assert holds(rule.formula, facts) == asked(rule, facts)


def test_a_formula_takes_no_more_of_python_than_it_needs() -> None:
    for text in (
        "order.id + 1",
        "open('x')",
        "order['id']",
        "1 < order.id < 3",
        "order.id is 3",
        "x := 1",
        "(",
        "f(1)",
    ):
        with pytest.raises(NotAFormula):
            holds(text, {"order": {"id": 2}})
    assert not holds("order.id > 1", {"order": {}}), "what is not there is neither more nor less"


def test_every_guard_has_one_function() -> None:
    assert MACHINE_GUARDS.keys() | ORDER_GUARDS.keys() == SPEC.guards.keys()
    assert not MACHINE_GUARDS.keys() & ORDER_GUARDS.keys()


# ---------------------------------------------------------------- the tables
def test_nothing_is_wrong_with_the_tables() -> None:
    assert list(table_findings(SPEC)) == []


def _shuttle(**changes: Any) -> dict[str, Table]:
    return {"shuttle": replace(SPEC.tables["shuttle"], **changes)}


def _row(*row: str) -> tuple[Transition, ...]:
    state, event, guard, after = row
    return (*SPEC.tables["shuttle"].transitions, Transition(state, event, guard, after, ()))


def _rule(name: str, **changes: Any) -> dict[str, Any]:
    return {"guards": SPEC.guards | {name: replace(SPEC.guards[name], **changes)}}


STATES, ROWS, NO_WAYS = (
    SPEC.tables["shuttle"].states,
    SPEC.tables["shuttle"].transitions,
    SPEC.tables["shuttle"].no_ways,
)
IS_HELD = SPEC.guards["is_held"]


def _no_way(kind: str, state: str, event: str) -> tuple[NoWay, ...]:
    return (*NO_WAYS, NoWay(kind, (state,), (event,), "because"))


FAULTS: dict[str, tuple[Mapping[str, Any], str]] = {
    "silent": ({"tables": _shuttle(no_ways=NO_WAYS[1:])}, "'reset-fault' in 'at-place' is silent"),
    "beside a row": (
        {"tables": _shuttle(no_ways=_no_way("ignored", "moving", "halt"))},
        "'halt' in 'moving' has a row that is always taken",
    ),
    "two rows": (
        {"tables": _shuttle(transitions=_row("moving", "halt", "", "at-place"))},
        "and something beside it",
    ),
    "older in front": (
        {"tables": _shuttle(transitions=(Transition("moving", "halt", "stop_is_other", "lost", ()), *ROWS))},
        "'halt' in 'moving' has a row that is always taken",
    ),
    "two rows with a guard": (
        {"tables": _shuttle(transitions=_row("moving", "stop", "stop_is_other", "lost"))},
        "has two rows with one guard",
    ),
    "overlap": (
        {"tables": _shuttle(transitions=_row("moving", "stop", "nothing_said", "lost"))}
        | _rule("nothing_said", behind=False),
        "hold together",
    ),
    "behind one that is always taken": (
        {"tables": _shuttle(transitions=_row("lost", "reset-fault", "track_found_empty", "at-place"))},
        "has a row behind one that is always taken",
    ),
    "open end": (
        {"tables": _shuttle(transitions=tuple(row for row in ROWS if row.guard != "stop_is_other"))},
        "says nothing of what happens where none of its guards holds",
    ),
    "no open end": (
        {"tables": _shuttle(no_ways=_no_way("ignored", "moving", "stop"))},
        "is said to be ignored, and a guard always holds",
    ),
    "unreachable": ({"tables": _shuttle(states=(*STATES, "sunk"))}, "nothing leads to 'sunk'"),
    "dead end": (
        {"tables": _shuttle(transitions=_row("moving", "halt", "", "sunk"), states=(*STATES, "sunk"))},
        "nothing leads out of 'sunk'",
    ),
    "out of an end": (
        {"tables": _shuttle(final=("at-place",))},
        "'run' leads out of the final state 'at-place'",
    ),
    "no such event": (
        {"tables": _shuttle(no_ways=_no_way("ignored", "lost", "sail"))},
        "no such state or event",
    ),
    "twice": ({"tables": _shuttle(no_ways=(*NO_WAYS, NO_WAYS[0]))}, "is listed twice"),
    "impossible with a row": (
        {"tables": _shuttle(no_ways=_no_way("impossible", "lost", "halt"))},
        "is impossible, and has a row",
    ),
    "event without a word": (
        {"tables": _shuttle(event_words={})},
        "event 'run' is not explained",
    ),
    "word of no event": (
        {"tables": _shuttle(event_words={**SPEC.tables["shuttle"].event_words, "sail": "wind"})},
        "explains 'sail', which is no event of it",
    ),
    "unknown guard": (
        {"tables": _shuttle(transitions=_row("moving", "stop", "stop_is_odd", "lost"))},
        "guard stop_is_odd is asked",
    ),
    "unused guard": ({"tables": _shuttle(transitions=ROWS[:1])}, "no table asks it"),
    "true witness": (_rule("is_held", holds={"order": {"act": "ask"}}), "does not hold for its own facts"),
    "false witness": (_rule("is_held", fails=IS_HELD.holds), "holds for the facts for which it should not"),
    "no false witness": (_rule("is_held", fails=None), "has no facts for which it does not hold"),
    "no requirement": (_rule("is_held", requirements=("HLD-99",)), "names HLD-99"),
    "id in words": (_rule("is_held", says="See HLD-98."), "names HLD-98"),
    "word": (_rule("is_held", formula="node.parked"), "speaks of 'node.parked'"),
    "formula": (_rule("is_held", formula="1 + 1"), "is nothing that a formula has"),
}


def test_a_newer_minor_version_may_put_a_row_in_front_of_one_that_is_always_taken() -> None:
    newer = Transition("moving", "halt", "stop_is_other", "lost", (), 1)
    assert list(table_findings(with_fault({"tables": _shuttle(transitions=(newer, *ROWS))}))) == []


def with_fault(changes: Mapping[str, Any]) -> Specification:
    changed: dict[str, Any] = {name: {**getattr(SPEC, name), **value} for name, value in changes.items()}
    return version(**changed)


@pytest.mark.parametrize("fault", FAULTS)
def test_what_is_wrong_with_a_table_is_found(fault: str) -> None:
    changes, says = FAULTS[fault]
    found = list(table_findings(with_fault(changes)))
    assert any(says in one for one in found), found


# ---------------------------------------------------------------- ids in texts
def test_every_id_that_is_named_anywhere_is_a_requirement() -> None:
    root = sources.home()
    texts = [*root.glob("docs/**/*.md"), root / "README.md", root / "DEVELOPERS.md"]
    texts += [
        path for part in ("protocol", "reference_node", "conformance") for path in (root / part).rglob("*.py")
    ]
    texts += [*(root / "protocol" / "v1").rglob("*.toml"), *(root / "protocol" / "v1").rglob("*.json")]
    chapters = {id_[:3] for id_ in SPEC.requirements}
    unknown = {
        f"{path.relative_to(root)}: {id_}"
        for path in texts
        for id_ in REQUIREMENT.findall(path.read_text(encoding="utf-8"))
        if id_[:3] in chapters and id_ not in SPEC.requirements
    }
    assert unknown == set()
