"""What one node has to know of its layout: a MicroPython module made from the site file, one role a board."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from protocol.site import CraneSite, NodeSite, Site
from protocol.trouble import Trouble

FIRMWARE = "yw-mpy-1"
"""What a board says where the site file asks for no version."""


def site_module(site: Site, name: str) -> str:
    """The text of yw_site.py for the node `name`. Raises Trouble for a node that one board cannot be."""
    node = site.nodes[name]
    if len(node.roles) != 1 or node.is_supervisor:
        raise Trouble(
            f"node {node.name!r} has the roles {', '.join(node.roles)}; the node in MicroPython plays one a board",
            fix="Give each machine a board of its own, or write its firmware from the documents",
        )
    return "".join(_lines(site, node))


def _lines(site: Site, node: NodeSite) -> Iterator[str]:
    yield f'"""Node {node.name!r} of the site {site.name!r}. Made from the site file by Yardwire.\n\n'
    yield 'Do not edit: change the site file and make this file again, so that the digest stays true.\n"""\n\n'
    yield "SITE = {\n"
    known = {
        "site": site.name,
        "node": node.name,
        "role": node.roles[0],
        "reads": node.reads,
        "writes": str(node.writes),
        "qos": node.qos,
        "buffer": node.buffer,
        "keep_alive_s": node.keep_alive_s,
        "firmware": node.firmware or FIRMWARE,
        "digest": node.digest,
    }
    yield from (f'    "{name}": {_text(value)},\n' for name, value in known.items())
    part = _role(site, node)
    yield f'    "{node.roles[0]}": {{\n'
    for name, value in part.items():
        if isinstance(value, dict):
            yield f'        "{name}": {{\n'
            yield from (f'            "{key}": {_text(inner)},\n' for key, inner in value.items())
            yield "        },\n"
        else:
            yield f'        "{name}": {_text(value)},\n'
    yield "    },\n}\n"


def _text(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}": {_text(inner)}' for key, inner in value.items()) + "}"
    return f'"{value}"' if isinstance(value, str) else repr(value)


def _role(site: Site, node: NodeSite) -> dict[str, Any]:
    if node.crane is not None:
        return _crane(site, node.crane)
    if node.berth is not None:
        berth = node.berth
        return {
            "debounce_ms": berth.debounce_ms,
            "approach_power": berth.approach_power,
            "creep_power": berth.creep_power,
            "arming_to_end": berth.arming_to_end or 1600,
            "end_window": berth.end_window or 140,
            "arming_timeout_ms": berth.arming_timeout_ms,
            "end_timeout_ms": berth.end_timeout_ms,
            "clear_ms": berth.clear_ms,
        }
    assert node.shuttle is not None
    shuttle = node.shuttle
    return {
        "stops": shuttle.stops,
        "debounce_ms": shuttle.debounce_ms,
        "run_timeout_ms": shuttle.run_timeout_ms,
        "load_sensor": shuttle.load_sensor,
    }


def _crane(site: Site, crane: CraneSite) -> dict[str, Any]:
    """Axes are (name, least, most, home, park, speed, acceleration)."""
    axes = tuple(
        (axis.name, axis.least, axis.most, axis.home, axis.park, axis.speed, axis.acceleration)
        for axis in crane.axes
    )
    places = {
        name: {"kind": str(site.places[name].kind), "slots": known.slots, "table": known.table}
        for name, known in crane.places.items()
    }
    return {
        "load_sensor": crane.load_sensor,
        "travel": crane.travel,
        "job_timeout_ms": crane.job_timeout_ms,
        "axes": axes,
        "places": places,
    }
