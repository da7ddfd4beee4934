"""The sensors of a node as lamps, where its board says how they stand: a swapped wire shows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from conformance.page.model.latest import LatestMessages
from protocol.site import Site
from protocol.specification import STATE_OF_ROLE


def lamps(site: Site, words: LatestMessages, name: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Key and entry of a node that says `inputs` [MSG-14]: its sensors in the order of the bits, true for closed."""
    node = site.nodes.get(name)
    if node is None:
        return
    shown: list[list[Any]] = []
    old = False
    for role in node.roles:
        word = words.of(name, STATE_OF_ROLE[role]) if role in STATE_OF_ROLE else None
        if word is None or "inputs" not in word.body:
            continue
        bits, known = word.body["inputs"], node.sensors(role)
        old = old or word.kept
        shown += [[sensor, bool(bits >> bit & 1)] for bit, sensor in enumerate(known)]
        if bits >> len(known):
            shown.append(["not in the site file", True])
    if shown:
        yield f"sensors/{name}", {"sensors": shown, "old": old}
