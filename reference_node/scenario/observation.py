"""What the bus shows of an event that a person makes happen in a real yard: the event counts once it is seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from reference_node.scenario.scenario import Event
from reference_node.supervisor.supervisor import Supervisor

Words = Mapping[str, Any]
SHOWN_BY = {
    "reboot": ("boot",),
    "network-gone": ("boot", "link"),
    "link-breaks": ("boot", "link"),
    "jam": ("faults",),
    "emergency-stop": ("faults",),
}
"""Which counts of a node change with the event: any one of them."""


@dataclass(frozen=True, slots=True)
class Observation:
    """An event that was asked of a person, and the counts of its nodes at that moment."""

    event: Event
    before: Mapping[str, Words]

    @property
    def on_the_bus(self) -> bool:
        """Whether the bus can show it; else the person says so."""
        return self.event.do in SHOWN_BY

    def is_seen(self, supervisor: Supervisor) -> bool:
        """Whether every node of the event has said what shows it."""
        now = counts(supervisor, self.event)
        return self.on_the_bus and all(
            any(_changed(self.before[node].get(key), now[node].get(key)) for key in SHOWN_BY[self.event.do])
            for node in self.before
        )


def asked_of_a_person(event: Event, supervisor: Supervisor) -> Observation:
    """Begin to look for `event`."""
    return Observation(event, counts(supervisor, event))


def counts(supervisor: Supervisor, event: Event) -> dict[str, Words]:
    """Boot, connections and faults as each node of an event has said them last; of the supervisor, its own."""
    names = [*supervisor.sessions, supervisor.name] if event.node == "all" else filter(None, [event.node])
    found: dict[str, Words] = {}
    for name in names:
        if name == supervisor.name:
            found[name] = {"boot": supervisor.boot, "link": supervisor.links}
            continue
        session = supervisor.sessions[name]
        status, fault = session.words.get("node-status", {}), session.words.get("fault", {})
        found[name] = {"boot": session.boot, "link": status.get("link"), "faults": fault.get("faults")}
    return found


def _changed(before: object, now: object) -> bool:
    """What was not known before shows nothing."""
    return None not in (before, now) and before != now
