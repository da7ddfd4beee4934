"""The order desk in MicroPython: the checks of `tables/order.toml` in their order, each by its formula."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import ClassVar

from conformance.publish.firmware.formula_text import FormulaText, NoFormula
from protocol.specification import Specification

HEAD = '''\
"""The checks of an order in their order: the first that holds decides.

Made from the specification by `python -m conformance.publish.firmware`; do not edit.
"""

from .tables import JOBS
from .uptime import after


def decide(node, order: dict) -> tuple:
    """What the node does about an order that can be read, and the reason of a refusal."""
    act = order["act"]
    is_known, is_job = act in node.acts, act in JOBS
    is_ours = is_known and is_job  # a job of the role
'''
FACTS = {
    "node.boot": "node.boot",
    "node.mark": "node.mark",
    "node.mark_before": "node.mark_before",
    "node.uptime": "node.uptime()",
    "node.bench": "node.bench",
    "node.held": "node.held",
    "node.holds": "node.holds",
    "node.faults": "node.faults.count",
    "node.finding_fits": "node.role.finding_fits(order)",
    "job.id": "node.job.id",
    "job.open": "node.job.is_open()",
    "role.has_row": "node.machine.has_row(act)",
    "role.load_fits": "node.role.load_fits(order)",
    "role.knows_place": "node.role.knows_place(order)",
    "role.within_table": "node.role.within_table(order)",
    "role.within_reach": "node.role.within_reach(order)",
}
"""What the node calls each fact that a formula speaks of."""
HAS = {"job": "node.job is not None", "role": "is_ours"}


class _InPython(FormulaText):
    both, either, negated = " and ", " or ", "not "
    sets: ClassVar[dict[str, str]] = {"node.acts": "is_known", "node.jobs": "is_job"}

    def fact(self, name: str) -> str:
        of, _, field = name.partition(".")
        if of == "order" and field:
            return f'order["{field}"]'
        if name in FACTS:
            return FACTS[name]
        raise NoFormula(name)

    def word(self, name: str, comparison: str, word: str) -> str:
        if name == "order.act":
            return f'act {comparison} "{word}"'
        if name == "role.name":
            return f'node.role_name {comparison} "{word}"'
        raise NoFormula(f"{name} {comparison} {word!r}")

    def among(self, words: Sequence[str]) -> str:
        return f"act in {tuple(words)!r}"

    def has(self, name: str) -> str:
        of, _, field = name.partition(".")
        if of == "order":
            return f'"{field}" in order'
        if name in HAS:
            return HAS[name]
        raise NoFormula(f"has({name})")

    def after(self, one: str, other: str) -> str:
        return f"after({one}, {other})"


def python_of(formula: str) -> str:
    """A formula over the facts of an order, as an expression of MicroPython. Raises NoFormula."""
    return _InPython().of(formula)


def order_desk(spec: Specification) -> str:
    """The text of order_desk.py."""
    return HEAD + "".join(f"    {line}\n" for line in _lines(spec))


def _lines(spec: Specification) -> Iterator[str]:
    for check in spec.order_checks:
        if check.name == "unreadable":
            continue
        if check.does == "raise-mark":
            yield 'node.raise_mark(order["id"])'
            continue
        what = f'return "{check.does}", "{check.reason}"'
        if check.name == "fit":
            yield what
            continue
        rule = spec.guards[check.name]
        yield f"if {python_of(rule.formula)}:"
        yield f"    {what}  # {check.name}: {', '.join(rule.requirements)}"
