"""What disturbs a run: how often each disturbance may come, and on which site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

DISTURBANCES: Mapping[str, str] = {
    "lose": "a message of a node that publishes at QoS 0 is lost",
    "repeat": "a message is delivered twice, as QoS 1 may",
    "overtake": "a message overtakes those on other topics before it, or a machine those on their way",
    "late order": "a copy of an order is delivered once more at any later time",
    "late word": "a copy of a node's message is delivered once more at any later time",
    "early": "the supervisor repeats while messages are still under way",
    "node down": "a node loses its connection and comes back, its job going on meanwhile",
    "reset": "a node restarts at any step",
    "outage": "the supervisor loses its connection and comes back",
    "restart": "the supervisor restarts at any step",
    "second": "another supervisor with the same goals comes and claims",
    "cancel": "a person cancels the open job",
    "hold": "a person holds a node by the supervisor, and later lets it go on",
    "other hold": "somebody else holds a node",
    "fault": "a machine jams",
    "power": "motor power is removed and comes back",
    "give-up": "nothing is heard of an order for longer than `give_up_ms`",
    "silence": "nothing is heard for longer than `state_silence`",
    "expiry": "the node's time passes beyond every deadline that was set",
    "old map": "a yard-map is lost, and an older one stays retained",
    "stale answer": "a person answers by what was so when it was looked, some time ago",
    "told": "the supervisor restarts, and a person says what stands where at that moment",
}


LAG = 2
"""Messages of a node that are under way at once, where nothing else is said."""


@dataclass(frozen=True, slots=True)
class Budget:
    """One exploration: a site, and how often each disturbance may come in it."""

    site: str
    may: Mapping[str, int] = field(default_factory=dict)
    lag: int = LAG
    """A node does not go on by itself while more messages of it than this are under way."""
    calm: bool = False
    """The net is faster than machines, people and ticks, and hands over one channel after the other; heartbeats and
    repeats come only once no machine goes on by itself. What is otherwise is a disturbance (`overtake`, `early`)."""
    same_part: bool = False
    """Two supervisors draw the same number for their claims."""
    uptime: int = 0
    """At which uptime nodes start; shortly before 2^32 it wraps. From 0 on they are counted again where they may be."""
    as_it_is: bool = False
    """Uptimes are never counted again: more states, and the same verdict."""

    @property
    def name(self) -> str:
        """For tables."""
        told = " + ".join(name if count == 1 else f"{count} x {name}" for name, count in self.may.items())
        more = [
            *([f"lag {self.lag}"] if self.lag > LAG else []),
            *(["calm"] if self.calm else []),
            *(["same draw"] if self.same_part else []),
            *(["wrap"] if self.uptime else []),
            *(["uptimes as they are"] if self.as_it_is else []),
        ]
        return f"{self.site}: {told or 'undisturbed'}" + "".join(f", {one}" for one in more)
