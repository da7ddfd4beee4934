"""A site file for one node alone: what it needs of the yard, and the supervisor."""

from __future__ import annotations

from itertools import pairwise

from protocol.site import NodeSite, Site
from protocol.site_file import read_site
from protocol.trouble import Trouble


def site_part(content: bytes, where: str, node: str) -> str:
    """The site file `content` with `node`, the places that it needs, the nodes that these are on, and supervisors.

    Its digests are those of the whole file. A comment beside a value stays; one between tables may be of what has gone,
    and does not. Raises Trouble.
    """
    import tomlkit

    site = read_site(content, where)
    if node not in site.nodes:
        raise Trouble(f"there is no node '{node}'", where=where, fix=f"Name one of {', '.join(site.nodes)}")
    places = _places(site, site.nodes[node])
    nodes = {node} | {one.name for one in site.with_role("supervisor")}
    nodes |= {owner for name in places if (owner := site.places[name].node)}
    document = tomlkit.parse(content.decode("utf-8"))
    for table, gone in (("places", site.places.keys() - places), ("nodes", site.nodes.keys() - nodes)):
        for name in gone:
            document[table].remove(name)  # type: ignore[union-attr]
    made = _without_comments_between(tomlkit.dumps(document))
    found = read_site(made.encode("utf-8"), f"the part of {where} for {node}")
    if any(one.digest != site.nodes[name].digest for name, one in found.nodes.items()):
        raise RuntimeError(f"the part of {where} for {node} has other digests than the whole file")
    return made


def _places(site: Site, node: NodeSite) -> set[str]:
    reached = set(node.crane.places) if node.crane is not None else set()
    return reached | {place.name for place in site.places.values() if place.node == node.name}


def _without_comments_between(text: str) -> str:
    """Comments in lines of their own stay at the head of the file alone."""
    lines = text.splitlines()
    head = next((at for at, line in enumerate(lines) if line and not line.startswith("#")), len(lines))
    kept = lines[:head] + [line for line in lines[head:] if not line.startswith("#")]
    shown = [line for before, line in pairwise(["", *kept]) if before or line]
    return "\n".join(shown).rstrip() + "\n"
