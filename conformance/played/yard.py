"""Every node of a site, played; and what a bench for a supervisor has beside any other bench."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Sequence
from random import Random

from conformance.played.node import PlayedNode
from conformance.played.plan import Brief
from conformance.testbench import Bench
from protocol.participant import Publication
from protocol.site import Site

Deed = Callable[[PlayedNode, int], Sequence[Publication] | None]
"""Something that befalls a node at an instant in ms; gives what the node publishes at once."""


def played_nodes(site: Site, rng: Random) -> dict[str, PlayedNode]:
    """A node for each but the supervisors; they sleep until a case wakes them."""
    nodes = {
        node.name: PlayedNode(site, node.name, Random(rng.getrandbits(32)))
        for node in site.nodes.values()
        if node.roles != ("supervisor",)
    }
    for node in nodes.values():
        node.luck.asleep = True
    return nodes


class YardBench(Bench):
    """A bench whose node under test is a supervisor, with played nodes for all the others."""

    @property
    @abstractmethod
    def nodes(self) -> dict[str, PlayedNode]:
        """The played nodes by name. They are changed only within `befall`."""

    @abstractmethod
    def befall(self, name: str, deed: Deed) -> None:
        """Let something happen to a node, between two things that it does."""

    @abstractmethod
    def restart_with(self, brief: Brief) -> None:
        """Start the supervisor anew as the brief says. Raises Unclear where nobody can."""
