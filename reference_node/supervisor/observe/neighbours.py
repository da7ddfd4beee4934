"""Which machines of a site may meet: what a crane reaches, and who else reaches that."""

from __future__ import annotations

from protocol.site import PlaceKind, Site


def beside(site: Site, node: str) -> tuple[str, ...]:
    """The nodes whose machines may meet those of `node`: a crane, what it reaches, who else reaches that.

    Two cranes that load one deck at different stops do not meet there.
    """
    near: list[str] = []
    crane = site.nodes[node].crane
    for place in (site.places[name] for name in places_of(site, node)):
        near.append(place.node)
        for other in site.cranes_reaching(place.name):
            theirs = site.nodes[other].crane
            meets = place.kind != PlaceKind.DECK or place.node == node
            if not meets and crane is not None and theirs is not None:
                meets = crane.places[place.name].at == theirs.places[place.name].at
            near += [other] if meets else []
    return tuple(dict.fromkeys(name for name in near if name not in ("", node)))


def places_of(site: Site, node: str) -> tuple[str, ...]:
    """The places that `node` reaches or owns."""
    crane = site.nodes[node].crane
    owned = [place.name for place in site.places.values() if place.node == node]
    return tuple(dict.fromkeys([*owned, *(crane.places if crane else ())]))
