"""The cases of a run in their order: the same seed deals the same, however large the batches are."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from random import Random

from conformance.fuzz.generate.payloads import ROUND, Payloads
from conformance.fuzz.generate.sequences import Sequences
from conformance.fuzz.generate.steps import Case
from conformance.fuzz.link import FAULTS
from conformance.oracle.node_judge import NodeJudge
from protocol.site import NodeSite

KINDS = ("payloads", "sequences", "link")
RUN = 15
"""Cases of one payload between two sequences."""
AT_ONCE = {"payloads": 10**6, "sequences": 2, "link": 1}
"""The most cases of a kind in one batch, whatever the pace."""

Draw = Callable[[], Case]


class CaseOrder:
    """Deals cases for one node, round after round."""

    def __init__(
        self,
        seed: int,
        node: NodeSite,
        judge: NodeJudge,
        *,
        motion: bool,
        kinds: Iterable[str],
        first_round: int = 0,
        faults: Sequence[str] = tuple(FAULTS),
    ) -> None:
        """`kinds` are of KINDS; a sequence is drawn when its turn comes, from the state that the node is in then."""
        self._seed, self._node, self._judge, self._motion = seed, node, judge, motion
        self._kinds, self._faults = frozenset(kinds), faults
        self._payloads = Payloads(seed, node.reads, motion=motion)
        self._ahead: deque[tuple[str, Draw]] = deque()
        self.round = first_round - 1
        """The round that is being dealt."""

    def batch(self, size: int) -> list[Case]:
        """The next cases of one kind, at most `size` of them."""
        if not self._ahead:
            self.round += 1
            self._deal()
        kind = self._ahead[0][0]
        cases: list[Case] = []
        while self._ahead and self._ahead[0][0] == kind and len(cases) < min(size, AT_ONCE[kind]):
            cases.append(self._ahead.popleft()[1]())
        return cases

    def _deal(self) -> None:
        payloads = list(self._payloads.cases(self.round)) if "payloads" in self._kinds else []
        for turn in range(ROUND // RUN):
            for case in payloads[turn * RUN : (turn + 1) * RUN]:
                self._ahead.append(("payloads", lambda case=case: case))  # type: ignore[misc]
            for number in range(4):
                self._later("sequences", f"{turn}/{number}")
            self._later("link", f"{turn}/link")

    def _later(self, kind: str, place: str) -> None:
        if kind not in self._kinds:
            return
        rng = Random(f"{self._seed}/{self.round}/{place}")
        plots = Sequences(rng, self._node, self._judge, motion=self._motion, faults=self._faults)
        self._ahead.append((kind, plots.draw if kind == "sequences" else plots.draw_link))
