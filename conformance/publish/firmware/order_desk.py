"""The order desk in C: the checks of `tables/order.toml` in their order, each by its formula."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import ClassVar

from conformance.publish.artefacts.header import macro
from conformance.publish.firmware.formula_text import FormulaText, NoFormula
from protocol.specification import Specification

HEAD = """\
/* The checks of an order in their order: the first that holds decides. Made from the specification by
 * `python -m conformance.publish.firmware`; do not edit. */
"""
FIELDS = {"act", "boot", "id", "ref", "holds", "faults", "deadline", "found", "place"}
FACTS = {
    "node.boot": "yw.boot",
    "node.mark": "yw.mark",
    "node.mark_before": "yw.mark_before",
    "node.uptime": "yw_uptime()",
    "node.bench": "yw_flag.bench",
    "node.held": "yw_flag.held",
    "node.holds": "yw.holds",
    "node.faults": "yw.faults",
    "node.finding_fits": "yw_role_finding_fits(order)",
    "job.id": "yw.job.id",
    "job.open": "yw_job_open()",
    "role.has_row": "yw_role_allows(act)",
    "role.load_fits": "yw_role_load_fits(order)",
    "role.knows_place": "yw_role_knows_place(order)",
    "role.within_table": "yw_role_within_table(order)",
    "role.within_reach": "yw_role_within_reach(order)",
}
"""What the core calls each fact that a formula speaks of."""
HAS = {"job": "yw.job.id != 0", "role": "is_ours"}


def order_desk(spec: Specification) -> str:
    """The text of yw_desk.h."""
    return "\n".join([HEAD, *_lines(spec), ""])


def _lines(spec: Specification) -> Iterator[str]:
    does = [
        check.does for check in spec.order_checks if check.does not in ("refuse", "raise-mark", "bad-message")
    ]
    yield "/* What the node does about an order; below YW_DO it refuses it, and that is the reason. */"
    first, *others = (macro("do", word) for word in dict.fromkeys(does))
    yield f"enum {{YW_DO = 32, {first} = YW_DO, {', '.join(others)}}};\n"
    yield "static uint8_t yw_desk(struct yw_order *order)\n{"
    yield "    const uint8_t act = yw_act(order);"
    yield "    const bool is_known = yw_is_in(YW_ROLE_ACTS, act), is_job = yw_is_in(YW_JOB_ACTS, act);"
    yield "    const bool is_ours = is_known && is_job; /* a job of the role */\n"
    for check in spec.order_checks:
        if check.name == "unreadable":
            continue
        if check.does == "raise-mark":
            yield "    yw_raise_mark(yw_id(order));"
            continue
        what = macro("reason", check.reason) if check.does == "refuse" else macro("do", check.does)
        if check.name == "fit":
            yield f"    return {what};"
            continue
        rule = spec.guards[check.name]
        yield f"    if ({c_of(rule.formula)}) {{"
        yield f"        return {what}; /* {check.name}: {', '.join(rule.requirements)} */"
        yield "    }"
    yield "}"


class _InC(FormulaText):
    both, either, negated = " && ", " || ", "!"
    sets: ClassVar[dict[str, str]] = {"node.acts": "is_known", "node.jobs": "is_job"}

    def fact(self, name: str) -> str:
        of, _, field = name.partition(".")
        if of == "order" and field in FIELDS:
            return f"yw_{field}(order)"
        if name in FACTS:
            return FACTS[name]
        raise NoFormula(name)

    def word(self, name: str, comparison: str, word: str) -> str:
        if name == "order.act":
            return f"act {comparison} {macro('act', word)}"
        if name == "role.name":
            return f"YW_ROLE {comparison} {macro('role', word)}"
        raise NoFormula(f"{name} {comparison} {word!r}")

    def among(self, words: Sequence[str]) -> str:
        bits = " | ".join(f"1U << {macro('act', word)}" for word in words)
        return f"yw_is_in({bits}, act)"

    def has(self, name: str) -> str:
        of, _, field = name.partition(".")
        if of == "order":
            return f"yw_has(order, {macro('key', 'job-order', field)})"
        if name in HAS:
            return HAS[name]
        raise NoFormula(f"has({name})")

    def after(self, one: str, other: str) -> str:
        return f"(int32_t)({one} - {other}) > 0"


def c_of(formula: str) -> str:
    """A formula over the facts of an order, as an expression of C. Raises NoFormula."""
    return _InC().of(formula)
