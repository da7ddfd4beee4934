"""Jobs that a node can never take, by the site file alone."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.oracle.site_limits import impossible
from protocol.site_file import scenario

SITE = scenario()


@pytest.mark.parametrize(
    ("name", "body", "requirement"),
    [
        ("ferry", {"act": "run", "to": "quay-n"}, ""),
        ("ferry", {"act": "run", "to": "stack"}, "SHT-03"),
        ("ferry", {"act": "home"}, "ORD-13"),
        ("siding", {"act": "admit"}, ""),
        ("north", {"act": "run", "to": "quay-n"}, "ORD-13"),
        ("north", {"act": "home"}, ""),
        ("north", {"act": "jog", "target": "least"}, ""),
        ("north", {"act": "jog", "target": "most"}, ""),
        ("north", {"act": "jog", "target": "below"}, "CRN-04"),
        ("north", {"act": "jog", "target": "above"}, "CRN-04"),
        ("north", {"act": "jog", "target": "short"}, "CRN-04"),
        ("north", {"act": "transfer", "to": "last", "to_slot": 0}, ""),
        ("north", {"act": "transfer", "to": "last", "to_slot": 1}, "CRN-05"),
        ("north", {"act": "transfer", "to": "nowhere", "to_slot": 0}, "CRN-05"),
        ("north", {"act": "transfer", "from": "nowhere", "from_slot": 0, "to": "last", "to_slot": 0}, "CRN-05"),
        ("north", {"act": "transfer", "from": "last", "from_slot": 0, "to": "nowhere", "to_slot": 0}, "CRN-05"),
    ],
)  # fmt: skip
def test_what_a_node_can_never_do_by_its_site_file(name: str, body: dict[str, Any], requirement: str) -> None:
    crane = SITE.nodes["north"].crane
    assert crane is not None
    targets = {
        "least": [axis.least for axis in crane.axes],
        "most": [axis.most for axis in crane.axes],
        "below": [axis.least - (number == 0) for number, axis in enumerate(crane.axes)],
        "above": [axis.most + (number == 1) for number, axis in enumerate(crane.axes)],
        "short": [axis.least for axis in crane.axes[1:]],
    }
    place, slots = next((name, len(place.slots)) for name, place in crane.places.items())
    shown: dict[str, Any] = {key: place if value == "last" else value for key, value in body.items()}
    if "target" in shown:
        shown["target"] = targets[shown["target"]]
    if "last" in (body.get("to"), body.get("from")):
        shown["to_slot"] += slots - 1
    assert impossible(SITE.nodes[name], shown) == requirement
