"""How each node fares as a member of the bus: when it last spoke, its boots, what was lost, what was wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from protocol.counting import COUNT_MODULUS
from protocol.site import NodeSite, Site
from protocol.specification import specification

Body = Mapping[str, Any]

STRANGERS_KEPT = 20
"""Nodes shown that the site file does not have; a bus with more of them has another trouble."""
TOPICS_KEPT = 64
"""Topics of one node whose counts are followed: a supervisor has one a place."""


@dataclass(slots=True)
class Health:
    """One node's."""

    listed: bool
    silence_us: int
    """Without a word for so long it counts as silent."""
    digest: int | None = None
    """What the site file says its digest is."""
    heard_us: int | None = None
    boot: int | None = None
    boots: int = 0
    lost: int = 0
    messages: int = 0
    invalid: int = 0
    breaches: int = 0
    status: Body = field(default_factory=dict)
    kept: bool = True
    """Whether `status` is only what the broker kept."""
    _seqs: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)

    def count(self, at_us: int, *, valid: bool) -> None:
        """It said something."""
        self.heard_us = at_us
        self.messages += 1
        self.invalid += not valid

    def follow(self, message: str, place: str, body: Body) -> None:
        """Take boot and seq of a live message [MSG-04, MSG-07]."""
        boot, seq, topic = body["boot"], body.get("seq"), (message, place)
        if boot != self.boot:
            self.boot, self.boots = boot, self.boots + 1
            self._seqs.clear()
        if seq is None:
            return
        before = self._seqs.get(topic)
        if before is not None and before[0] == boot:
            ahead = (seq - before[1]) % COUNT_MODULUS
            if ahead == 0 or ahead > COUNT_MODULUS // 2:
                return  # Said twice, or an old one that came late.
            self.lost += ahead - 1
        if topic in self._seqs or len(self._seqs) < TOPICS_KEPT:
            self._seqs[topic] = (boot, seq)

    def gap(self) -> None:
        """Nothing was heard for a while: what was missed then, the node did not lose."""
        self._seqs.clear()

    def state(self, now_us: int) -> str:
        """'not heard', 'off', 'silent', 'bench' or 'on'."""
        if self.heard_us is None:
            return "not heard"
        if self.status.get("state") == "off" and not self.kept:
            return "off"
        if now_us - self.heard_us > self.silence_us:
            return "silent"
        return "bench" if self.status.get("bench") else "on"


class HealthRegister:
    """The health of all nodes, strangers to the site file included."""

    def __init__(self, site: Site) -> None:
        self.nodes = {node.name: _listed(node) for node in site.nodes.values()}
        self._room = len(self.nodes) + STRANGERS_KEPT

    def of(self, name: str) -> Health | None:
        """The health of a node that speaks; None for one stranger too many."""
        if name not in self.nodes and len(self.nodes) < self._room:
            self.nodes[name] = Health(listed=False, silence_us=_silence_us(machine=True))
        return self.nodes.get(name)

    def gap(self) -> None:
        """The bus was not heard for a while."""
        for health in self.nodes.values():
            health.gap()


def _listed(node: NodeSite) -> Health:
    return Health(True, _silence_us(machine=not node.is_supervisor), node.digest)


def _silence_us(*, machine: bool) -> int:
    """A supervisor says no more than its node-status; two of them may be missed."""
    spec = specification()
    return (spec.most_ms("state_silence") if machine else 2 * spec.most_ms("status_repeat")) * 1000
