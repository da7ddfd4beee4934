"""The node that an example of a role is made for."""

from __future__ import annotations

from protocol.site import NodeSite, Site


def node_with(role: str, site: Site) -> NodeSite | None:
    """The first node that has this role and no other; one that reads CBOR alone before others."""
    alone = [node for node in site.nodes.values() if node.roles == (role,)]
    return min(alone, key=lambda node: node.reads != "cbor", default=None)
