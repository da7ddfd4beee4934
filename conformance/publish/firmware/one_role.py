"""The nodes that firmware of one role is made for: the one of an example, and every other."""

from __future__ import annotations

from protocol.site import NodeSite, Site


def nodes_of_one_role(site: Site) -> tuple[NodeSite, ...]:
    """Every node that has one role and is no supervisor."""
    return tuple(node for node in site.nodes.values() if len(node.roles) == 1 and not node.is_supervisor)


def node_with(role: str, site: Site) -> NodeSite | None:
    """The first node that has this role and no other; one that reads CBOR alone before others."""
    alone = [node for node in site.nodes.values() if node.roles == (role,)]
    return min(alone, key=lambda node: node.reads != "cbor", default=None)
