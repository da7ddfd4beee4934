"""Pictures of harlow-basin made by hand: what each node says, and which slot holds what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reference_node.supervisor.observe.boxes import Boxes, Carriage
from reference_node.supervisor.observe.yard_state import NodeState, YardState
from tests.planning.yards import SITE

USUAL: dict[str, dict[str, Any]] = {
    "north": {"crane-status": {"mode": "ready"}},
    "south": {"crane-status": {"mode": "ready"}},
    "ferry": {"shuttle-status": {"state": "at-place", "place": "quay-n", "stop": 6, "boot": 3}},
    "siding": {"train-arrival": {"state": "empty", "arrival": 2, "reading": 150, "boot": 4}},
}
SLOTS = {"stack-n": ("", "", "", ""), "stack-s": ("", ""), "ferry": ("",), "siding": ("", "", "")}


def picture(
    slots: Mapping[str, tuple[str, ...]] | None = None,
    *,
    words: Mapping[str, Mapping[str, Any] | None] | None = None,
    jobs: Mapping[str, str] | None = None,
    silent: tuple[str, ...] = (),
    spreaders: Mapping[str, str] | None = None,
    carriages: Mapping[str, Carriage] | None = None,
) -> YardState:
    """`words` change what a node's own state message says, None takes it away; `silent` nodes have said nothing."""
    nodes = {}
    for name, said in USUAL.items():
        [(message, body)] = said.items()
        change: Mapping[str, Any] | None = (words or {}).get(name, {})
        own = {} if name in silent or change is None else {message: {**body, **change}}
        job = (jobs or {}).get(name, "")
        nodes[name] = NodeState(name, True, 3, {}, own, (), name not in silent, not job, True, job, ())
    held = {"north": "", "south": "", **(spreaders or {})}
    boxes = Boxes(SITE, {**SLOTS, **(slots or {})}, held, carriages or {}, frozenset())
    return YardState(SITE, 0, nodes, boxes, all_owned=True)
