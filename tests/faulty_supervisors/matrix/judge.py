"""What becomes of one faulty supervisor of the matrix."""

from __future__ import annotations

import random
from functools import cache

from conformance.bench.virtual_yard import VirtualYard
from conformance.commands.conform.briefed import briefed_supervisor
from conformance.suite.brief import Brief
from conformance.suite.supervisor_fixture import SupervisorFixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.participant import Participant
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import VirtualStage
from tests.faulty_nodes.matrix.planted import SEEDS, SITE, breach_of
from tests.faulty_supervisors.faulty import NAME
from tests.faulty_supervisors.matrix.breaches import BREACHES
from tests.faulty_supervisors.matrix.injection import Injected, Planted, kind_of
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
def correct(seed: int) -> str:
    """The fingerprint of the supervisor without a breach, in a run of the suite."""
    kind, record = kind_of(None)
    run_of(kind, seed).perform()
    return record.fingerprint


@cache
def driven(name: str) -> str:
    """The same in a scenario."""
    kind, record = kind_of(None)
    VirtualStage(load_scenario(name, SITE), SITE, kind).run()
    return record.fingerprint


def differs(planted: Planted) -> bool:
    """Whether the breach shows in any scenario."""
    for name in DRIVES:
        kind, record = kind_of(planted, BREACHES[planted.breach])
        try:
            VirtualStage(load_scenario(name, SITE), SITE, kind).run()
        except Exception:  # noqa: BLE001 - a supervisor that goes wrong shows it
            return True
        if record.fingerprint != driven(name):
            return True
    return False


def judge(planted: Planted, seeds: tuple[int, ...] = SEEDS) -> Outcome:
    """Run the suite over it with each seed until one finds nothing; the case that failed first comes first."""
    return over_seeds(
        planted, seeds, lambda seed, case: first_failure(planted, seed, case), lambda: differs(planted)
    )


def first_failure(planted: Planted, seed: int, case: str = "") -> Look:
    """The first case that fails, in a run that ends there; `case` is tried alone first."""
    for only in ((case,), None) if case else (None,):
        kind, record = kind_of(planted, BREACHES[planted.breach])
        whole = run_of(kind, seed, only)
        for result in whole.steps():
            if result.verdict is Verdict.FAIL:
                return Look((result.case.id, breach_of(result)), True, "")
            if result.verdict is Verdict.ERROR:
                # The supervisor runs in this process: what it raises comes up in the case, as a program's end would.
                return Look((result.case.id, ""), True, result.reason.strip().splitlines()[-1][:120])
    return Look(None, record.fingerprint != correct(seed), "")
