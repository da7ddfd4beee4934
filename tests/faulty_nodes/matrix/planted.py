"""One faulty node of the matrix: which breach, in which node, in which contexts; and a run of the suite over it."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from conformance.bench.virtual_bench import VirtualBench
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.site_file import scenario
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.faulty_nodes.board import firmware
from tests.faulty_nodes.matrix.injection import Injection, Record
from tests.faulty_nodes.matrix.registry import BREACHES

SITE: Site = scenario()
SEEDS = (1, 2, 3, 4, 5)


@dataclass(frozen=True, slots=True)
class Planted:
    """One faulty node."""

    breach: str
    requirement: str
    says: str
    node: str
    when: tuple[str, ...]
    percent: int | None = None
    from_pages: bool = False

    @property
    def id(self) -> str:
        """Its name, the same as long as its breach has its name."""
        beyond = "" if self.percent is None else f"+{self.percent}%"
        return f"{self.breach}{beyond}@{self.node}/{'+'.join(self.when)}"


@dataclass(slots=True)
class Board:
    """Runs a faulty node; where its firmware crashes, it hangs."""

    inside: Injection
    record: Record
    hung: bool = field(default=False)

    @property
    def client_id(self) -> str:
        return self.inside.client_id

    @property
    def keep_alive_s(self) -> int:
        return self.inside.keep_alive_s

    def will(self) -> Publication | None:
        return self.inside.will()

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return self.inside.subscriptions()

    def connected(self, now_ms: int) -> Sequence[Publication]:
        return self._guard(lambda: self.inside.connected(now_ms))

    def disconnected(self, now_ms: int) -> None:
        if not self.hung:
            self.inside.disconnected(now_ms)

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        return self._guard(lambda: self.inside.receive(delivery, now_ms))

    def tick(self, now_ms: int) -> Sequence[Publication]:
        return self._guard(lambda: self.inside.tick(now_ms))

    def next_tick(self, now_ms: int) -> int | None:
        return None if self.hung else self.inside.next_tick(now_ms)

    def _guard(self, work: object) -> Sequence[Publication]:
        if self.hung:
            return []
        try:
            return work()  # type: ignore[operator,no-any-return]
        except Exception as error:  # noqa: BLE001 - what a breach leaves behind may be what no table has
            self.hung = True
            self.record.enter("hangs")
            self.record.crash = repr(error)
            return []


def bench_of(
    planted: Planted | None, node: str, seed: int, record: Record | None = None
) -> tuple[VirtualBench, Record]:
    """A bench on virtual time with the faulty node on it; with None, the node without a breach."""
    machines = Machines(SITE.nodes[node], World(SITE, alone=True), random.Random(seed))
    start = firmware(Controller, SITE, node, bench=True, machines=machines)
    record = Record() if record is None else record

    def make(boot: int, now_ms: int) -> Board:
        when, percent = (planted.when, planted.percent) if planted else ((), None)
        inside = Injection(start(boot, now_ms, "power-on"), record, when, percent)
        if planted is not None:
            BREACHES[planted.breach](inside)
        record.enter("start", boot, now_ms)
        return Board(inside, record)

    return VirtualBench(make, random.Random(seed + 1), distort=record.distort), record


def run(
    planted: Planted | None, node: str, seed: int, only: Sequence[str] | None = None
) -> tuple[Run, Record]:
    """A run of the suite over it, about to start, and what will be recorded of the node."""
    bench, record = bench_of(planted, node, seed)
    fixture = Fixture(bench, SITE, node, random.Random(seed))
    return Run(fixture, Selection(only=None if only is None else tuple(only))), record


def breach_of(result: Result, requirement: str) -> str | None:
    """The requirement that a failed case names, '' where it names none; None where nothing is told.

    A breach of a SHOULD is told by a warning: one against that `requirement` counts, and others do not.
    """
    if result.verdict is Verdict.FAIL:
        return result.evidence.requirement if result.evidence else ""
    return next((one.requirement for one in result.warnings if one.requirement == requirement), None)


def failed(results: dict[str, Result]) -> list[Result]:
    """The cases that failed, in the order in which they ran."""
    return [result for result in results.values() if result.verdict is Verdict.FAIL]
