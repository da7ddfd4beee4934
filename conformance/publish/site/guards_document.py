"""Writes docs/protocol/guards.md: what each guard asks, and what a table has no row for."""

from __future__ import annotations

import json
from collections.abc import Iterator

from conformance.publish.site import sources
from protocol.guard_rule import GuardRule
from protocol.specification import Specification, specification

PAGE = "docs/protocol/guards.md"
HEAD = """# Guards, and what a table has no row for

Made from [`tables/`](../../protocol/v1/tables) by `python -m conformance.publish.site.guards_document`. A row of a
transition table may say *only if*, and each check of an order is a question: here is what each asks, in words and as a
formula over the fields of messages and what is known. With each stand facts for which it holds and facts for which it
does not.
"""


def guards_document(spec: Specification) -> str:
    """The document, as Markdown."""
    return "\n".join([HEAD, *_order(spec), *_machines(spec), *_words(spec)])


def _order(spec: Specification) -> Iterator[str]:
    yield "## Checks of an order\n"
    yield "In this order; the first that holds decides.\n"
    for check in spec.order_checks:
        if check.name in spec.guards:
            yield from _guard(spec.guards[check.name])


def _machines(spec: Specification) -> Iterator[str]:
    for table in spec.tables.values():
        yield f"## {table.title}\n"
        for name in dict.fromkeys(row.guard for row in table.transitions if row.guard):
            yield from _guard(spec.guards[name])
        yield "| without a row | states | events | why |\n|---|---|---|---|"
        for one in table.no_ways:
            yield f"| {one.kind} | {', '.join(one.states)} | {', '.join(one.events)} | {one.why} |"
        yield ""


def _guard(rule: GuardRule) -> Iterator[str]:
    asks = "behind the row above, where that is not taken" if rule.behind else f"`{rule.formula}`"
    yield f"- **{rule.name}**: {rule.says} ({', '.join(rule.requirements)})"
    yield f"  - {asks}"
    said = f"  - holds for `{json.dumps(rule.holds)}`"
    yield said + ("" if rule.fails is None else f", not for `{json.dumps(rule.fails)}`") + "\n"


def _words(spec: Specification) -> Iterator[str]:
    yield "## What the formulas speak of\n"
    yield "| name | what it is |\n|---|---|"
    yield from (f"| `{name}` | {what} |" for name, what in spec.guard_words.items())
    yield ""


if __name__ == "__main__":
    (sources.home() / PAGE).write_text(guards_document(specification()), encoding="utf-8")
