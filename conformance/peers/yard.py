"""Every node of a site, played."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from conformance.peers.node import PlayedNode
from protocol.participant import Publication
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
