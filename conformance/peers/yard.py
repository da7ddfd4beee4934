"""Every node of a site, played."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from conformance.peers.node import SimulatedNode
from protocol.participant import Publication
from protocol.site import Site

Incident = Callable[[SimulatedNode, int], Sequence[Publication] | None]
"""Something that befalls a node at an instant in ms; gives what the node publishes at once."""


def simulated_nodes(site: Site, rng: Random) -> dict[str, SimulatedNode]:
    """A node for each but the supervisors; they sleep until a case wakes them."""
    nodes = {
        node.name: SimulatedNode(site, node.name, Random(rng.getrandbits(32)))
        for node in site.nodes.values()
        if not node.is_supervisor
    }
    for node in nodes.values():
        node.disturbances.asleep = True
    return nodes
