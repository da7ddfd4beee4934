"""What sensors tell of boxes: an empty or lost track, a spreader that holds something or nothing."""

from __future__ import annotations

from collections.abc import Iterable

from reference_node.supervisor.observe.boxes import EMPTY, UNSURE
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.yard_state import NodeState


def take_over(inventory: Inventory, nodes: Iterable[NodeState]) -> None:
    """Change the inventory by what the sensors of idle nodes tell; what contradicts it is noted as a conflict."""
    for node in nodes:
        if node.idle:
            _take_over(inventory, node)


def _take_over(inventory: Inventory, node: NodeState) -> None:
    berth, crane = node.words.get("train-arrival"), node.words.get("crane-status")
    place = inventory.site.place_of(node.name)
    if berth is not None and place is not None and berth["state"] == "empty":
        inventory.clear_track(place.name)
    elif berth is not None and place is not None and berth["state"] == "lost":
        inventory.doubt_place(place.name)
    if crane is None:
        return
    held = inventory.spreaders[node.name]
    if crane["load"] == "none" and held != EMPTY:
        if held != UNSURE:
            inventory.conflicts.append(
                f"box {held} hung in the spreader of {node.name}, which says it holds none"
            )
            inventory.doubt(node.name)  # a box is gone: somebody took it, or put it anywhere within reach
        inventory.tell_spreader(node.name, EMPTY)
    elif crane["load"] == "box" and held == EMPTY:
        inventory.conflicts.append(f"{node.name} says that a box hangs in its spreader; nobody put one there")
        inventory.tell_spreader(node.name, UNSURE)
