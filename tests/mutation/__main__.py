"""`python -m tests.mutation`: a sample of mutants a package.

Exit 1 where one lives unexplained or a bound is missed, 2 where the tests fail without any change.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import time
from collections.abc import Sequence
from importlib import import_module

from tests.mutation.campaign import Campaign, FailsUnchanged, Outcome
from tests.mutation.changes import Change, changes_of, sample
from tests.mutation.killers import killers, record
from tests.mutation.packages import Package, packages
from tests.mutation.survivors import Survivor, gone, survivors
from tests.mutation.table import GOAL, Measured, read, write

SIZE = 600
SEED = 1
CI_SIZE = 40
CI_SEED = 1
LIBRARIES = (
    "anyio", "cbor2", "click", "hypothesis", "jinja2", "jsonschema", "jsonschema_rs", "paho.mqtt.client",
    "pytest", "rich",
)  # fmt: skip
"""Read once, before the first fork; nothing of the project may be among them."""


def main() -> int:
    """Run what was asked for."""
    asked = _asked()
    os.nice(19)
    for name in LIBRARIES:
        import_module(name)
    listed = survivors()
    known = [package for package in packages() if asked.package is None or package.name in asked.package]
    every = {package.name: _changes(package) for package in known}
    campaign = Campaign(asked.jobs, afresh=asked.afresh, killers=killers())
    try:
        if asked.ci:
            return _a_few(campaign, known, every, listed, keep=asked.record)
        return _tables(campaign, known, every, listed, asked)
    except FailsUnchanged as failure:
        print(f"The tests fail, so they kill nothing: {failure}")
        return 2
    except KeyboardInterrupt:
        print("Stopped; the same command goes on from here.")
        return 130


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="make mutants ARGS=...", description=__doc__)
    parser.add_argument("--package", action="append", help="only this one (may be given again)")
    parser.add_argument("--sample", type=int, default=SIZE, help=f"mutants a package (default {SIZE})")
    parser.add_argument("--seed", type=int, default=SEED, help=f"which sample (default {SEED})")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="how many beside each other")
    parser.add_argument("--afresh", action="store_true", help="take no result of an earlier run over")
    parser.add_argument(
        "--note", default="", help="a sentence for the page about what the seed came to first"
    )
    parser.add_argument(
        "--ci", action="store_true", help=f"{CI_SIZE} mutants of all packages; writes no table"
    )
    parser.add_argument("--record", action="store_true", help="with --ci: write down which test killed which")
    asked = parser.parse_args()
    names = {package.name for package in packages()}
    if unknown := set(asked.package or ()) - names:
        parser.error(f"no package {', '.join(sorted(unknown))}; there are {', '.join(sorted(names))}")
    if asked.record and (not asked.ci or asked.package):
        parser.error("--record goes with --ci, over all packages")
    if asked.jobs < 1 or asked.sample < 1:
        parser.error("--jobs and --sample take 1 or more")
    return asked


def _changes(package: Package) -> list[Change]:
    return [change for file, source in package.sources.items() for change in changes_of(file, source)]


def _a_few(
    campaign: Campaign,
    known: Sequence[Package],
    every: dict[str, list[Change]],
    listed: dict[str, Survivor],
    *,
    keep: bool,
) -> int:
    """The sample of CI: fails where one lives that is not listed, or one that is listed does not."""
    found: dict[str, str] = {}
    drawn = {change.key for change in sample([c for own in every.values() for c in own], CI_SIZE, CI_SEED)}
    wrong = 0
    for package in known:
        chosen = [change for change in every[package.name] if change.key in drawn]
        by_key = {change.key: change for change in chosen}
        for outcome in campaign.run(package, chosen):
            found[outcome.key] = outcome.test
            wrong += _tell_wrong(package, by_key[outcome.key], outcome, listed)
    campaign.control()
    if keep:
        record(found)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = f"{used.ru_utime + used.ru_stime:.0f} s of processor time"
    print(f"{len(drawn)} mutants, seed {CI_SEED}, {took}: {wrong} not as they should be")
    return 1 if wrong else 0


def _tell_wrong(package: Package, change: Change, outcome: Outcome, listed: dict[str, Survivor]) -> int:
    if outcome.ended == "broken":
        print(f"could not run the tests, counted as killed: {change.file}:{change.line} {change.operator}")
    if outcome.lives == (change.key in listed):
        return 0
    what = (
        "lives" if outcome.lives else f"is listed as a survivor, and dies of {outcome.test or outcome.ended}"
    )
    print(f"{_place(package, change)} {what}\n    {change.key}", flush=True)
    return 1


def _tables(
    campaign: Campaign,
    known: Sequence[Package],
    every: dict[str, list[Change]],
    listed: dict[str, Survivor],
    asked: argparse.Namespace,
) -> int:
    measured, wrong = read(), 0
    for package in known:
        changes = every[package.name]
        places = sample(changes, len(changes), asked.seed)
        chosen = places[: asked.sample]
        own = [change for change in changes if change.key in listed]
        by_key = {change.key: change for change in (*chosen, *own)}
        ends: dict[str, Outcome] = {}
        began = time.monotonic()
        for outcome in campaign.run(package, list(by_key.values())):
            ends[outcome.key] = outcome
            wrong += _tell_wrong(package, by_key[outcome.key], outcome, listed)
            if sys.stderr.isatty():
                print(f"\r{package.name}: {len(ends)} of {len(by_key)}", end="", file=sys.stderr)
        one = _measured(package, len(places), chosen, ends, listed, asked)
        measured[package.name] = one
        print(f"{one.row().strip()} {time.monotonic() - began:.0f} s", flush=True)
        wrong += one.lower < GOAL
    campaign.control()
    wrong += sum(_tell_gone(package, every[package.name], listed) for package in known)
    order = [package.name for package in packages()]
    write({name: measured[name] for name in order if name in measured})
    return 1 if wrong else 0


def _measured(
    package: Package,
    places: int,
    chosen: Sequence[Change],
    ends: dict[str, Outcome],
    listed: dict[str, Survivor],
    asked: argparse.Namespace,
) -> Measured:
    living = [change for change in chosen if ends[change.key].lives]
    equivalent = sum(1 for change in living if change.key in listed and listed[change.key].equivalent)
    owned = [
        f"{_place(package, change)}: {listed[change.key].reason}"
        for change in living
        if change.key in listed and not listed[change.key].equivalent
    ]
    alive = [_place(package, change) for change in living if change.key not in listed]
    return Measured(
        package.name, places, len(chosen), asked.seed, equivalent, len(chosen) - len(living), tuple(owned),
        tuple(alive), asked.note,
    )  # fmt: skip


def _tell_gone(package: Package, changes: Sequence[Change], listed: dict[str, Survivor]) -> int:
    own = [one for one in listed.values() if one.file in package.sources]
    missing = gone(own, changes)
    for key in missing:
        print(f"listed as a survivor, and the code has it no more: {key}")
    return len(missing)


def _place(package: Package, change: Change) -> str:
    return f"`{change.file}:{change.line}` `{change.shown(package.sources[change.file])}`"


if __name__ == "__main__":
    sys.exit(main())
