"""Supervisors that break one rule each, and how one is judged: the counterpart of the faulty nodes."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from conformance.bench.virtual_bench import Distortion
from conformance.bench.virtual_yard import VirtualYard
from conformance.commands.conform.briefed import briefed_supervisor
from conformance.suite.brief import Brief
from conformance.suite.supervisor_fixture import SupervisorFixture
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection
from protocol.participant import Participant
from protocol.site import Site
from protocol.site_file import read_site, scenario, scenario_text
from reference_node.supervisor.supervisor import Supervisor

NAME = "yard"


@dataclass(frozen=True, slots=True)
class Faulty:
    """One wrong supervisor: what it breaks, and the case that must say so."""

    name: str
    requirement: str
    caught_by: str
    kind: type[Supervisor]
    site: Site
    distort: Distortion | None


FAULTY: dict[str, Faulty] = {}
SITE = scenario()
"""Read once: each reading takes as long as all the rest of an import."""


def faulty(
    requirement: str, caught_by: str, *, site: Site | None = None, distort: Distortion | None = None
) -> Callable[[type[Supervisor]], type[Supervisor]]:
    """Enter a supervisor that breaks `requirement` and must be caught by the case `caught_by`."""

    def enter(kind: type[Supervisor]) -> type[Supervisor]:
        name = kind.__name__
        assert name not in FAULTY, name
        FAULTY[name] = Faulty(name, requirement, caught_by, kind, site or SITE, distort)
        return kind

    return enter


def with_second_berth() -> Site:
    """The scenario with another berth, 'loop', under its southern crane."""
    text = scenario_text()
    siding = text[text.index("[nodes.siding]") : text.index("# ---- shuttle")]
    table = text[text.index("[nodes.south.crane.places.siding]") : text.index("# ---- berth")]
    place = '[places.loop]\nkind = "track"\nnode = "loop"\ncolumns = 3\n'
    added = (place, *(part.replace("siding", "loop") for part in (table, siding)))
    return read_site("\n".join((text, *added)).encode(), "harlow-basin with a second berth")


def judge(
    kind: type[Supervisor] = Supervisor,
    *,
    seed: int = 1,
    only: tuple[str, ...] | None = None,
    site: Site | None = None,
    **bus: Any,
) -> dict[str, Result]:
    """Run cases against a supervisor in this process on virtual time."""
    where = site or scenario()
    # Not of the boot: in fifty runs two lives have the same one, and would use the same tokens.
    chance = random.Random(seed + 2)

    def make(boot: int, now_ms: int, brief: Brief | None) -> Participant:
        rng = random.Random(chance.getrandbits(64))
        if brief is None:
            return kind(where, NAME, boot=boot, rng=rng, started_ms=now_ms)
        return briefed_supervisor(where, NAME, brief, boot=boot, rng=rng, started_ms=now_ms, kind=kind)

    bench = VirtualYard(where, make, random.Random(seed + 1), **bus)
    return Run(SupervisorFixture(bench, where, NAME, random.Random(seed)), Selection(only=only)).perform()
