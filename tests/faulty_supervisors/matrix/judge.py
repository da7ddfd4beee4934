"""What becomes of one faulty supervisor of the matrix."""

from __future__ import annotations

import random
from functools import cache

from conformance.bench.virtual_yard import VirtualYard
from conformance.commands.conform.briefed import briefed_supervisor
from conformance.suite.brief import Brief
from conformance.suite.case import all_cases
from conformance.suite.supervisor_fixture import SupervisorFixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.participant import Participant
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import VirtualStage
from tests.faulty_nodes.matrix.injection import Differs
from tests.faulty_nodes.matrix.planted import SEEDS, SITE, breach_of
from tests.faulty_supervisors.faulty import NAME
from tests.faulty_supervisors.matrix.every import BREACHES
from tests.faulty_supervisors.matrix.injection import Compared, Injected, Kept, Planted, kind_of
from tests.matrix.outcome import Outcome
from tests.matrix.seeds import Look, over_seeds

DRIVES = ("05-unload-and-load", "10-crane-reboots", "12-orders-twice", "13-network-gone", "14-supervisor-restarts",
          "16-somebody-holds", "19-axis-jams", "21-full-cycle")  # fmt: skip
"""Scenarios in which a supervisor is driven through its contexts with no judge."""


def run_of(kind: type[Injected], seed: int, only: tuple[str, ...] | None = None) -> Run:
    """A run of the suite over a supervisor of this kind, about to start."""
    chance = random.Random(seed + 2)

    def make(boot: int, now_ms: int, brief: Brief | None) -> Participant:
        rng = random.Random(chance.getrandbits(64))
        if brief is None:
            return kind(SITE, NAME, boot=boot, rng=rng, started_ms=now_ms)
        return briefed_supervisor(SITE, NAME, brief, boot=boot, rng=rng, started_ms=now_ms, kind=kind)

    bench = VirtualYard(SITE, make, random.Random(seed + 1))
    return Run(SupervisorFixture(bench, SITE, NAME, random.Random(seed)), Selection(only=only))


@cache
def reached(seed: int) -> dict[str, frozenset[str]]:
    """By case, the contexts that hold in it for the supervisor without a breach.

    A faulty one is like it until its context holds for the first time, and every case has a fresh one.
    """
    record = Kept()
    kind, _ = kind_of(None, record=record)
    found: dict[str, frozenset[str]] = {}
    for result in run_of(kind, seed).steps():
        assert result.verdict in (Verdict.PASS, Verdict.NONE), f"{result.case.id}: {result.reason}"
        found[result.case.id] = frozenset(record.reached or ())
        record.reached = set()
    return found


@cache
def where_it_may_show(when: tuple[str, ...], seed: int) -> tuple[str, ...]:
    """The cases in which all these contexts come about, and those that look at what was seen in others."""
    return tuple(
        id_
        for id_, contexts in reached(seed).items()
        if contexts.issuperset(when) or all_cases()[id_].passive
    )


@cache
def correct(seed: int, only: tuple[str, ...] | None) -> str:
    """The fingerprint of the supervisor without a breach, in a run of these cases."""
    kind, record = kind_of(None)
    run_of(kind, seed, only).perform()
    return record.fingerprint


@cache
def driven(name: str) -> Kept:
    """What comes of a scenario without a breach."""
    record = Kept()
    kind, _ = kind_of(None, record=record)
    VirtualStage(load_scenario(name, SITE), SITE, kind).run()
    return record


def differs(planted: Planted) -> bool:
    """Whether the breach shows in any scenario in which its contexts come about; each ends where it does."""
    for name in DRIVES:
        sound = driven(name)
        if not (sound.reached or set()).issuperset(planted.when):
            continue
        record = Compared(sound.marks)
        kind, _ = kind_of(planted, BREACHES[planted.breach], record)
        try:
            VirtualStage(load_scenario(name, SITE), SITE, kind).run()
            record.end()
        except (Differs, Exception):  # noqa: BLE001 - a supervisor that goes wrong shows it
            return True
    return False


def judge(planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """Run the suite over it with each seed until one finds nothing; the case that failed first comes first.

    Cases in which its context does not come about are left out: there it is the correct one.
    """
    return over_seeds(
        planted,
        seeds,
        lambda seed, case: first_failure(
            planted, seed, case, where=where_it_may_show(planted.when, SEEDS[0]), shows=seed == seeds[0]
        ),
        lambda: differs(planted),
    )


def first_failure(
    planted: Planted, seed: int, case: str = "", *, where: tuple[str, ...] | None, shows: bool = False
) -> Look:
    """The first case that fails, in a run that ends there; `case` is tried alone first, `where` is None for all.

    `shows`: where none fails, look whether it was any different from one without a breach.
    """
    for only in ((case,), where) if case else (where,):
        kind, record = kind_of(planted, BREACHES[planted.breach])
        whole = run_of(kind, seed, only)
        for result in whole.steps():
            told = breach_of(result, planted.requirement)
            if told is not None:
                return Look((result.case.id, told), True, "")
            if result.verdict is Verdict.ERROR:
                # The supervisor runs in this process: what it raises comes up in the case, as a program's end would.
                return Look((result.case.id, ""), True, result.reason.strip().splitlines()[-1][:120])
    return Look(None, shows and record.fingerprint != correct(seed, where), "")
