"""What has really been done in a run, kept beside the participants: no rule reads it, every property does."""

from __future__ import annotations

from typing import NamedTuple

from tests.proof.yard.node_steps import Deed
from tests.proof.yard.supervisor_steps import Ended

STAGES = ("accepted", "moved", "touched", "done")
NOTHING_MOVED = ("refused", "cancelled")
Name = tuple[str, int, int]
"""Node, boot and id of an order."""


class Record(NamedTuple):
    """Orders that were accepted with how far each came, orders that ended by their supervisor's word, newest claims."""

    orders: tuple[tuple[Name, str], ...] = ()
    ended: tuple[tuple[Name, str], ...] = ()
    claims: tuple[tuple[str, int], ...] = ()

    def claim_of(self, node: str) -> int:
        """The newest claim that the node has answered in its present boot."""
        return dict(self.claims).get(node, 0)

    def after_reset(self, node: str) -> Record:
        """A new boot knows no claim."""
        return self._replace(claims=tuple(one for one in self.claims if one[0] != node))

    def after_deeds(self, node: str, deeds: tuple[Deed, ...]) -> tuple[Record, str]:
        """The record after what a node did; what of it must never be."""
        orders, claims = dict(self.orders), dict(self.claims)
        wrong = ""
        for deed, boot, id_ in deeds:
            name = (node, boot, id_)
            if deed == "claimed":
                claims[node] = id_
                continue
            if deed == "accepted":
                wrong = wrong or self._wrongly_accepted(name, orders)
            if (
                deed in ("moved", "touched")
                and dict(self.ended).get(name) in NOTHING_MOVED
                and deed == "touched"
            ):
                wrong = (
                    wrong or f"order {name} moves a box after its supervisor was told that nothing was moved"
                )
            orders[name] = max(deed, orders.get(name, deed), key=STAGES.index)
        record = self._replace(orders=tuple(sorted(orders.items())), claims=tuple(sorted(claims.items())))
        return record, wrong

    def _wrongly_accepted(self, name: Name, orders: dict[Name, str]) -> str:
        if name in orders:
            return f"order {name} is accepted a second time"
        if name[2] < self.claim_of(name[0]):
            return f"order {name} is accepted after the newer claim {self.claim_of(name[0])}"
        if name in dict(self.ended):
            return f"order {name} is accepted after its supervisor took it for {dict(self.ended)[name]}"
        return ""

    def after_endings(self, endings: tuple[Ended, ...]) -> tuple[Record, str]:
        """The record after a supervisor has taken orders for ended; what of it is not so."""
        ended, orders = dict(self.ended), dict(self.orders)
        wrong = ""
        for node, boot, id_, state in endings:
            name, stage = (node, boot, id_), orders.get((node, boot, id_), "")
            if state == "done" and stage != "done":
                wrong = wrong or f"order {name} is held to be done, and is {stage or 'not even accepted'}"
            if state in NOTHING_MOVED and stage in ("touched", "done"):
                wrong = wrong or f"order {name} is held to be {state}, and has moved a box"
            ended[name] = state
        return self._replace(ended=tuple(sorted(ended.items()))), wrong
