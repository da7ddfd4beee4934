"""Jobs that a node can never take, by the site file alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.site import CraneSite, NodeSite
from protocol.specification import specification


def impossible(node: NodeSite, body: Mapping[str, Any]) -> str:
    """The requirement by which a job must be refused in every state of the node; '' where it need not be."""
    if not any(body["act"] in specification().acts_of(role) for role in node.roles):
        return "ORD-13"
    if body["act"] == "run" and node.shuttle:
        return "" if body["to"] in node.shuttle.stops else "SHT-03"
    if node.crane and body["act"] == "transfer":
        return _transfer(node.crane, body)
    if node.crane and body["act"] == "jog":
        return _jog(node.crane, body["target"])
    return ""


def _transfer(crane: CraneSite, body: Mapping[str, Any]) -> str:
    ends = [(body["to"], body["to_slot"])]
    ends += [(body["from"], body["from_slot"])] if "from" in body else []
    known = all(place in crane.places and slot < len(crane.places[place].slots) for place, slot in ends)
    return "" if known else "CRN-05"


def _jog(crane: CraneSite, target: list[int]) -> str:
    inside = len(target) == len(crane.axes) and all(
        axis.least <= at <= axis.most for axis, at in zip(crane.axes, target, strict=True)
    )
    return "" if inside else "CRN-04"
