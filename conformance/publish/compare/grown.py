"""What a minor version added and marked with `since`: it binds those who say that version, and breaks nobody."""

from __future__ import annotations

from collections.abc import Iterator

from conformance.publish.compare.change import SENDERS, Change
from protocol.specification import Specification


def grown(kept: Specification, new: Specification) -> Iterator[Change]:
    """The additions of `new` to `kept`, which is the same without what came later."""
    for where, what, since in _additions(kept, new):
        if since <= new.minor:
            yield Change(where, f"new since {new.dotted(since)}: {what}")
        else:
            yield Change(where, f"is of {new.dotted(since)}, which does not exist yet: {what}", (SENDERS,))


def _additions(kept: Specification, new: Specification) -> Iterator[tuple[str, str, int]]:
    """Where, what and since which minor version."""
    of_tables = [
        (f"table {name}", f"{row.state}, {row.event} to {row.next}", row.since)
        for name, table in new.tables.items()
        for row in table.transitions
    ]
    of_figures = [
        (f"{file} {name}", str(figure), figure.since)
        for file in ("timing", "limits")
        for name, figure in getattr(new, file).items()
    ]
    of_checks = [("table order", check.name, check.since) for check in new.order_checks]
    of_rules = [(rule.id, rule.says, rule.since) for rule in new.requirements.values()]
    everything = [*of_figures, *of_tables, *of_checks, *of_rules]
    return (one for one in everything if one[2] > kept.minor)
