"""Every node of a site, played; and what a bench for a supervisor has beside any other bench."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence
from random import Random

from conformance.played.node import PlayedNode
from conformance.played.plan import Brief
from conformance.testbench import Bench
from protocol.participant import Participant, Publication
from protocol.site import Site

Deed = Callable[[PlayedNode, int], Sequence[Publication] | None]
"""Something that befalls a node at an instant in ms; gives what the node publishes at once."""


def played_nodes(site: Site, rng: Random) -> dict[str, PlayedNode]:
    """A node for each but the supervisors; they sleep until a case wakes them."""
    nodes = {
        node.name: PlayedNode(site, node.name, Random(rng.getrandbits(32)))
        for node in site.nodes.values()
        if not node.is_supervisor
    }
    for node in nodes.values():
        node.luck.asleep = True
    return nodes


class YardBench(Bench):
    """A bench whose node under test is a supervisor, with played nodes for all the others."""

    _nodes: Mapping[str, PlayedNode]

    @property
    def nodes(self) -> Mapping[str, PlayedNode]:
        """The played nodes by name. They are changed only within `befall`."""
        return self._nodes

    def befall(self, name: str, deed: Deed) -> None:
        """Let something happen to a node, between two things that it does; what it says goes out by its link."""

        def work(_participant: Participant, now_ms: int) -> Sequence[Publication]:
            return deed(self._nodes[name], now_ms) or ()

        self._call(name, work)

    @abstractmethod
    def _call(self, name: str, work: Callable[[Participant, int], Sequence[Publication]]) -> None:
        """Do a piece of work where the node's own is done, and publish what it gives."""

    def failure(self) -> str:
        """How the program of the supervisor has failed, where the bench can tell; else ''."""
        return ""

    @abstractmethod
    def restart_with(self, brief: Brief) -> None:
        """Start the supervisor anew as the brief says. Raises Unclear where nobody can."""
