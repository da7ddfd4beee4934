"""The reference nodes pass every case on virtual time, from any seed, on the bench and in service."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import pytest

from conformance.commands.conform.time_left import length_s
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from protocol.site_file import scenario
from tests.faulty_nodes.faulty import judge, with_sensors
from tests.sample import sampled

NODES = ("north", "south", "siding", "ferry")
PLACES = ("bench", "service")
ONE_EACH = [("north", "bench"), ("siding", "bench"), ("ferry", "service")]
SEEDS = [(node, where, seed) for node in NODES for where in PLACES for seed in range(2, 6)]
SECOND = [(node, where, 2) for node in NODES for where in PLACES]


@pytest.mark.parametrize(
    "run", sampled([(node, where) for node in NODES for where in PLACES], ONE_EACH, rest="slow")
)
def test_reference_node_passes(run: tuple[str, str]) -> None:
    passes(*run, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("run", sampled(SEEDS, SECOND))
def test_reference_node_passes_from_any_seed(run: tuple[str, str, int]) -> None:
    node, where, seed = run
    passes(node, where, seed)


def passes(node: str, where: str, seed: int) -> None:
    results = judge(node, bench=where == "bench", seed=seed)
    wrong = {id_: r.reason for id_, r in results.items() if r.verdict not in (Verdict.PASS, Verdict.NONE)}
    assert wrong == {}
    assert sum(result.verdict is Verdict.PASS for result in results.values()) > 70
    if where == "bench":
        assert other_lengths(results.values(), scenario().nodes[node].roles) == {}


def other_lengths(results: Iterable[Result], roles: Collection[str]) -> dict[str, tuple[float, float]]:
    """Cases that took less than half or more than twice what the line of progress knows of them: known and seen, in s.

    A second more or less is none. Those that want the node left alone wait together, as long as the longest of them.
    """
    judged = [one for one in results if one.verdict is Verdict.PASS and not one.case.passive]
    alone = [one for one in judged if one.case.quiet]
    lengths = {
        one.case.id: (length_s(one.case, roles), one.took_ms / 1000) for one in judged if not one.case.quiet
    }
    lengths["left alone"] = (
        max(length_s(one.case, roles) for one in alone),
        sum(one.took_ms for one in alone) / 1000,
    )
    return {
        id_: (known_s, took_s)
        for id_, (known_s, took_s) in lengths.items()
        if abs(known_s - took_s) > 1 and not known_s / 2 < took_s < 2 * known_s
    }


@pytest.mark.slow
@pytest.mark.parametrize("node", ["north", "siding", "ferry"])
def test_latency_makes_no_verdict(node: str) -> None:
    """A fifth of a second on the link, each way, is no fault of the node's."""
    results = judge(node, latency_ms=(180, 200))
    wrong = {id_: r.reason for id_, r in results.items() if r.verdict not in (Verdict.PASS, Verdict.NONE)}
    assert wrong == {}


@pytest.mark.slow
def test_crane_without_load_sensor_passes() -> None:
    results = judge("north", site=with_sensors(scenario(), load_sensor=False))
    wrong = {id_: r.reason for id_, r in results.items() if r.verdict not in (Verdict.PASS, Verdict.NONE)}
    assert wrong == {}
    assert results["crane-load-unsure"].verdict is Verdict.PASS
