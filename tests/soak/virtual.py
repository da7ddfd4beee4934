"""Runs on virtual time: a sound link, and one with latency and loss at QoS 0."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from protocol.site import Site
from protocol.site_file import scenario
from tests.faulty_nodes.faulty import run_of
from tests.faulty_supervisors.faulty import judge

NODES = ("north", "south", "siding", "ferry")
LINKS: dict[str, dict[str, Any]] = {
    "sound": {},
    "slow": {"latency_ms": (180, 200)},
    "slow and lossy": {"latency_ms": (180, 200), "loss": 0.05},
}
"""Latency each way in ms; loss of what goes at QoS 0."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run: what it was, and each case that neither passed nor was left out, with its reason."""

    what: str
    alarms: Mapping[str, str]
    left_open: Sequence[str] = ()
    """Cases without a verdict, as the test machine stood still in each try: the kit says so, and that is no alarm."""


def outcome(what: str, results: Mapping[str, Result]) -> Outcome:
    """What a run came to: the cases that speak against the node or show nothing, apart from what a stall left open."""
    unclear = {
        id_: f"{result.verdict.word}: {result.reason}"
        for id_, result in results.items()
        if result.verdict not in (Verdict.PASS, Verdict.NONE)
    }
    stalled = {id_ for id_ in unclear if results[id_].verdict is Verdict.INCONCLUSIVE and results[id_].spoilt}
    left_open = [id_ for id_ in unclear if id_ in stalled or results[id_].cause in stalled]
    return Outcome(what, {id_: why for id_, why in unclear.items() if id_ not in left_open}, left_open)


def at_qos_0(site: Site) -> Site:
    """The site with every node publishing at QoS 0, as many small boards can only do."""
    return replace(site, nodes={name: replace(node, qos=0) for name, node in site.nodes.items()})


def runs(count: int, link: str, nodes: tuple[str, ...] = NODES) -> Iterator[Outcome]:
    """`count` runs over each node, each of a seed of its own."""
    site = at_qos_0(scenario()) if "loss" in LINKS[link] else scenario()
    for seed in range(1, count + 1):
        for node in nodes:
            results = run_of(node, seed=seed, site=site, **LINKS[link]).perform()
            yield outcome(f"{node}, {link} link, seed {seed}", results)


def supervisor_runs(count: int, link: str) -> Iterator[Outcome]:
    """`count` runs over the reference supervisor, each of a seed of its own."""
    site = at_qos_0(scenario()) if "loss" in LINKS[link] else scenario()
    for seed in range(1, count + 1):
        yield outcome(f"yard, {link} link, seed {seed}", judge(seed=seed, site=site, **LINKS[link]))
