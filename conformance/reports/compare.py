"""What broke and what was fixed since an earlier report on the same node."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.reports.counted import counted

CLEAN = ("pass", "none")
KIT = ("kit", "protocol", "firmware")


@dataclass(frozen=True, slots=True)
class Change:
    """A case that came out otherwise than before. 'new' and 'gone' stand for a case only one kit knows."""

    id: str
    before: str
    now: str

    @property
    def kind(self) -> str:
        """'broke', 'fixed' or 'otherwise': not selected then or now, or wrong in another way."""
        if self.now in CLEAN and self.before in CLEAN:
            return "otherwise"
        if self.now not in (*CLEAN, "gone") and self.before in (*CLEAN, "new"):
            return "broke"
        if self.now == "pass":
            return "fixed" if self.before != "new" else "otherwise"
        return "otherwise"


def changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[Change, ...]:
    """Every case that came out otherwise, in the order of the newer report, then those that are gone.

    A run that was stopped, or that ran a few cases only, has not lost those that it did not come to.
    """
    old = {case["id"]: case["verdict"] for case in before["cases"]}
    new = {case["id"]: case["verdict"] for case in now["cases"]}
    came = [Change(id_, old.get(id_, "new"), verdict) for id_, verdict in new.items()]
    gone = [Change(id_, verdict, "gone") for id_, verdict in old.items() if id_ not in new]
    return tuple(one for one in (*came, *gone) if one.before != one.now)


def since(before: Mapping[str, Any], now: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a report that tells what changed: versions then, and ids with verdicts then and now."""
    found = changes(before, now)
    both = _judged(before) & _judged(now)
    return {
        **{name: before.get(name, "") for name in KIT},
        "complete": before["complete"],
        "compared": len(both),
        **{
            kind: [{"id": one.id, "before": one.before, "now": one.now} for one in found if one.kind == kind]
            for kind in ("broke", "fixed", "otherwise")
        },
    }


def _judged(report: Mapping[str, Any]) -> set[str]:
    return {case["id"] for case in report["cases"] if case["verdict"] != "none"}


def lines(report: Mapping[str, Any]) -> Iterator[str]:
    """What changed, for a terminal."""
    told = report["since"]
    versions = [f"{n} {told[n]} then, {report[n]} now" for n in KIT if told[n] != report[n]]
    yield f"since the earlier report{': ' if versions else ''}{'; '.join(versions)}"
    if not told["complete"]:
        yield "  the earlier run is incomplete: what it did not come to is not compared"
    if not report["complete"]:
        yield "  this run is incomplete: what it did not come to is not compared"
    for kind in ("broke", "fixed"):
        for one in told[kind]:
            yield f"  {kind:<7} {one['id']} ({one['before']}, now {one['now']})"
    if not told["broke"]:
        cases = "one case" if told["compared"] == 1 else f"{told['compared']} cases"
        among = f"  nothing broke among the {cases} that both judged"
        yield among if told["compared"] else "  nothing to compare: no case was judged in both"
    if told["otherwise"]:
        yield f"  {counted(len(told['otherwise']), 'other')} came out otherwise; --json names all"
