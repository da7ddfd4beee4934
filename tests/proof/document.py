"""Writes the tables of docs/proof.md: `python -m tests.proof.document`, after a long run with `--long FOLDER`."""

from __future__ import annotations

import argparse
import sys
import tomllib
from pathlib import Path

from protocol.specification import specification
from reference_node.snapshot.how import Dropped
from reference_node.snapshot.supervisor_fields import GIVE_UP_MS, MOST_SENT
from tests.proof.kill_list import known
from tests.proof.long_run import enter
from tests.proof.long_run import table as long_table
from tests.proof.run import recorded
from tests.proof.timed.run import recorded as timed_recorded
from tests.proof.yard.budget import DISTURBANCES
from tests.proof.yard.participants import CATALOGUE_OF_ALL

PAGE = Path(__file__).parents[2] / "docs" / "proof.md"
BEGIN, END = "<!-- generated: {} -->", "<!-- end -->"


def _disturbances() -> str:
    rows = "".join(f"| {name} | {what} |\n" for name, what in DISTURBANCES.items())
    return f"| disturbance | what happens |\n|---|---|\n{rows}"


def _small() -> str:
    rows = "".join(
        f"| {name} | {one['states']:,} | {one['edges']:,} | {one['depth']} |\n"
        for name, one in sorted(recorded().items())
    )
    states, edges = (sum(one[what] for one in recorded().values()) for what in ("states", "edges"))
    total = f"| **all {len(recorded())}** | **{states:,}** | **{edges:,}** | |\n"
    return f"| budget | states | edges | depth |\n|---|---:|---:|---:|\n{rows}{total}"


def _timed() -> str:
    rows = "".join(
        f"| {name} | {one['states']:,} | {one['edges']:,} | {one['depth']} |\n"
        for name, one in sorted(timed_recorded().items())
    )
    return f"| what the net may do | states | edges | depth |\n|---|---:|---:|---:|\n{rows}"


def _dropped() -> str:
    rows: dict[tuple[str, str], list[str]] = {}
    for kind, plan in CATALOGUE_OF_ALL.plans.items():
        for name, how in plan.fields.items():
            if isinstance(how, Dropped):
                rows.setdefault((kind.__name__, how.why), []).append(f"`{name}`")
    lines = "".join(f"| {kind} | {', '.join(names)} | {why} |\n" for (kind, why), names in rows.items())
    return f"| class | fields | why they are no part of the state |\n|---|---|---|\n{lines}"


def _kills() -> str:
    lines = ["| rule taken away | budget that finds it | states | what breaks |\n|---|---|---:|---|\n"]
    lines += [
        f"| {name} | {one['budget']} | {one['states']:,} | {one['what']} |\n"
        for name, one in sorted(known().items())
        if one["what"]
    ]
    return "".join(lines)


def _survivors() -> str:
    lines = ["| rule | why nothing breaks without it |\n|---|---|\n"]
    lines += [
        f"| {name} | {one['reason'] or 'not explained yet'} |\n"
        for name, one in sorted(known().items())
        if not one["what"]
    ]
    return "".join(lines)


def bounds() -> list[tuple[str, str, str]]:
    """Name, figure and reason of each bound."""
    rows = tomllib.loads((Path(__file__).parent / "bounds.toml").read_text(encoding="utf-8"))["bound"]
    return [(row["name"], row["figure"], " ".join(row["why"].split())) for row in rows]


def _times() -> str:
    timing = specification().timing
    figures = {
        "GIVE_UP": f"{GIVE_UP_MS - 1:,} ms",
        "MOST_SENT": str(MOST_SENT),
        **{name: str(figure) for name, figure in timing.items()},
    }
    rows = "".join(f"| {name} | {figures.get(figure, figure)} | {why} |\n" for name, figure, why in bounds())
    return f"| bound | figure | why this and no other |\n|---|---|---|\n{rows}"


def written(page: str) -> str:
    """The page with every generated part made again."""
    parts = {
        "disturbances": _disturbances(),
        "small": _small(),
        "dropped": _dropped(),
        "kills": _kills(),
        "survivors": _survivors(),
        "times": _times(),
        "long": long_table(),
        "timed": _timed(),
    }
    for name, text in parts.items():
        begin = BEGIN.format(name)
        before, rest = page.split(begin, 1)
        page = f"{before}{begin}\n\n{text}\n{END}{rest.split(END, 1)[1]}"
    return page


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.proof.document", description=__doc__)
    parser.add_argument("--long", type=Path, help="a folder of `make prove ARGS=--long`, to be entered first")
    asked = parser.parse_args()
    if asked.long is not None:
        enter(asked.long)
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    sys.exit(0)
