"""Motor starts against what may move: a motor that is switched on while nothing may is a breach [BEN-03]."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from conformance.oracle.finding import Oracle
from conformance.oracle.node_state import NodeState

Body = Mapping[str, Any]
Tell = Callable[[str, str, Oracle, int], None]
BEHIND = {"resume": "ORD-20", "reset-fault": "FLT-05", "claim": "CLM-03", "ask": "ORD-04"}

SWITCHED_ON = "a motor was switched on"
COUNTS = 65536


class Motion:
    """Follows `starts` of one boot between two messages that say it."""

    def __init__(self, tell: Tell, counted: Counter[str]) -> None:
        """`tell` takes requirement, what was seen, oracle and trace number."""
        self._tell, self._counted = tell, counted
        self._starts: int | None = None
        self._might = self._held = False
        """Whether a motor may have been switched on since, and whether there was a hold."""
        self._acts: set[str] = set()

    def new_boot(self) -> None:
        """Its count begins anew: what lies before the first word of it is judged by none."""
        self._starts = None

    def came(self, act: str) -> None:
        """An order came."""
        self._acts.add(act)

    def look(self, states: Iterable[NodeState], *, by_hand: bool) -> None:
        """Take in what the node may be by now; `by_hand`: a person drives it."""
        for one in states:
            self._might = self._might or by_hand or one.may_move
            self._held = self._held or bool(one.held)

    def said(self, body: Body, number: int) -> None:
        """Judge a node-status."""
        starts = body.get("starts")
        if starts is None:
            return
        if self._starts is not None and _fell(self._starts, starts):
            what = f"'starts' went from {self._starts} down to {starts}"
            self._tell("BEN-03", what, Oracle.MOTION, number)
        elif self._starts is not None and not self._might:
            requirement = self._behind()
            self._counted[requirement] += 1
            if starts != self._starts:
                what = f"{SWITCHED_ON} ('starts' went from {self._starts} to {starts}), and nothing may move"
                self._tell(requirement, what, Oracle.MOTION, number)
        self._starts, self._might, self._held = starts, False, False
        self._acts.clear()

    def _behind(self) -> str:
        if self._held:
            return "HLD-03"
        return next((one for act, one in BEHIND.items() if act in self._acts and act != "resume"), "ORD-20")


def _fell(before: int, after: int) -> bool:
    """Whether the count went down, and not round."""
    return (after - before) % COUNTS > COUNTS // 2
