"""How a berth brings a train to rest and finds out where, from sensor edges and uptime alone.

The train runs in at the admit power. The end sensor is ignored until the arming sensor has fired: by then
the locomotive, its motor and all couplings have passed it, however many there were. From then on the train
creeps, and the first pulse of the end sensor is the magnet on the end of the last wagon. It cuts the power;
the train rolls out by a way that depends on the locomotive, and the rest reading is an estimate of that way.

For this the arming sensor lies so that, when the locomotive's arming magnet reaches it, every coupling has
passed the end sensor and the end magnet has not; and the arming magnet is the first that reaches it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from protocol.site import BerthSite
from reference_node.mechanism.edge import Edge
from reference_node.sensing.debounce import Debounce
from reference_node.sensing.rest_reading import Passage, PassageGeometry, rest_reading

State = Literal["admitting", "armed", "at-rest", "lost"]
Reason = Literal["not-armed", "end-missed", "input-lost"]


@dataclass(frozen=True, slots=True)
class ArrivalSettings:
    """How a berth drives a train in: powers in percent, and how long it waits for what.

    `settle_us` is the debounce of both sensors; `rest_ms` must be longer than any train rolls without power.
    """

    admit_power: int = 32
    creep_power: int = 25
    settle_us: int = 3_000
    rest_ms: int = 3_000
    arming_timeout_ms: int = 60_000
    end_timeout_ms: int = 20_000
    geometry: PassageGeometry = field(default_factory=PassageGeometry)

    def __post_init__(self) -> None:
        if not 0 < self.creep_power <= self.admit_power <= 100:
            raise ValueError(
                "creep power must be positive and not above the admit power, at most 100 percent"
            )
        if not 0 < self.end_timeout_ms <= 65_535:
            raise ValueError("the time from arming to end must be positive and fit in 16 bits of ms")
        if min(self.arming_timeout_ms, self.rest_ms, self.settle_us) <= 0:
            raise ValueError("debounce, time-outs and the wait for rest must be positive")


class Arrival:
    """One berth's arrivals, one after the other: `begin`, then every edge as it comes, and `tick`.

    `power` is what the motor is to get, in percent; the caller applies it after each call. Times never run
    backwards. A berth that has not begun is lost, with its outputs off. `ignored` counts the pulses of the
    end sensor before arming; `reading` and `arm_to_end_ms` are there at rest, `reason` when the berth lost
    the train by itself.
    """

    state: State
    reason: Reason | None
    ignored: int
    reading: int | None
    arm_to_end_ms: int | None
    _held_us: int | None
    _armed_us: int | None
    _end_us: int | None
    _open_us: int | None

    def __init__(self, settings: ArrivalSettings) -> None:
        self._settings = settings
        self._clear(0, {"arming": False, "end": False})

    def begin(self, now_ms: int, levels: Mapping[str, bool]) -> None:
        """Let a train in; `levels` are those of the lines "arming" and "end" at this moment.

        With the arming line closed the arrival is lost at once: a train is there, or the line is stuck.
        """
        self._clear(now_ms, levels)
        if levels["arming"]:
            self._lose("input-lost")
        else:
            self.state, self._wanted = "admitting", self._settings.admit_power

    @property
    def power(self) -> int:
        """What the motor gets, in percent."""
        return 0 if self._held_us is not None else self._wanted

    @property
    def under_way(self) -> bool:
        """Whether this arrival is neither at rest nor lost yet."""
        return self.state in ("admitting", "armed")

    @property
    def due_ms(self) -> int | None:
        """The next time at which a `tick` would change something, if no edge comes before; None for never."""
        if not self.under_way:
            return None
        due = [line.due_us for line in self._lines.values()] + [self._deadline_us]
        return min((-(-time // 1000) for time in due if time is not None), default=None)

    def edge(self, edge: Edge) -> None:
        """A raw edge of "arming" or "end", bounce and all; others are none of this berth's."""
        if edge.sensor in self._lines:
            self._settle(edge.at_us)
            self._lines[edge.sensor].feed(edge.at_us, edge.closed)

    def tick(self, now_ms: int) -> None:
        """Time has passed. Once a millisecond is best; `due_ms` tells from when on it matters."""
        self._settle(now_ms * 1000)
        deadline_us = self._deadline_us
        if self.under_way and deadline_us is not None and now_ms * 1000 >= deadline_us:
            self._expire()

    def hold(self, now_ms: int) -> None:
        """Motor off, time-outs stopped; the train rolls out and is still watched."""
        if self.under_way and self._held_us is None:
            self._held_us = now_ms * 1000

    def resume(self, now_ms: int) -> None:
        """Go on after a hold; the time held counts for no time-out and for no speed."""
        if self._held_us is None:
            return
        now_us, held_us = now_ms * 1000, self._held_us
        self._held_us = None
        self._begun_us += now_us - held_us
        if self._armed_us is not None and self._end_us is None:
            self._pauses += 1
            self._armed_us += now_us - max(held_us, self._armed_us)

    def give_up(self) -> None:
        """Motor off, and nobody knows where the train is: for a caller that has a reason of its own."""
        self._lose(None)

    def _clear(self, now_ms: int, levels: Mapping[str, bool]) -> None:
        settle_us = self._settings.settle_us
        self._lines = {name: Debounce(levels[name], settle_us) for name in ("arming", "end")}
        self._wanted = self._pauses = self._cut_us = 0
        self._begun_us = now_ms * 1000
        self._held_us = self._armed_us = self._end_us = self._open_us = None
        self.state, self.reason = "lost", None
        self.ignored, self.reading, self.arm_to_end_ms = 0, None, None

    @property
    def _deadline_us(self) -> int | None:
        """When the present step has taken too long or, for the last, long enough."""
        if self._end_us is not None:
            return self._cut_us + self._settings.rest_ms * 1000
        if self._held_us is not None:
            return None
        if self._armed_us is not None:
            return self._armed_us + self._settings.end_timeout_ms * 1000
        return self._begun_us + self._settings.arming_timeout_ms * 1000

    def _expire(self) -> None:
        if self._armed_us is None:
            self._lose("not-armed")  # BER-05
        elif self._end_us is None:
            self._lose("end-missed")  # BER-05
        else:
            self._rest(self._armed_us, self._end_us)

    def _settle(self, now_us: int) -> None:
        """Believe what has stood long enough, in the order in which it happened."""
        believed = [(line.settle(now_us), name) for name, line in self._lines.items()]
        for since_us, name in sorted((since, name) for since, name in believed if since is not None):
            if self.state == "admitting":
                self._approach(name, self._lines[name].level, since_us)
            elif self.state == "armed" and name == "end":
                self._pass_end(self._lines[name].level, since_us, now_us)

    def _approach(self, name: str, closed: bool, since_us: int) -> None:
        """BER-04: until armed, the end sensor is only counted; a train is found, not counted."""
        if name == "end":
            self.ignored += closed
        elif closed:
            self.state, self._armed_us = "armed", since_us
            self._wanted = self._settings.creep_power

    def _pass_end(self, closed: bool, since_us: int, now_us: int) -> None:
        if self._end_us is None and closed:
            self._find_end(since_us, now_us)
        elif self._end_us is not None and not closed and self._open_us is None:
            self._open_us = since_us

    def _find_end(self, since_us: int, now_us: int) -> None:
        if self._held_us is not None:
            self._lose("end-missed")  # it rolls out already, from an unknown speed: no reading could be true
        else:
            self._end_us, self._cut_us, self._wanted = since_us, now_us, 0

    def _rest(self, armed_us: int, end_us: int) -> None:
        closed_us = None if self._open_us is None else self._open_us - end_us
        passage = Passage(end_us - armed_us, self._cut_us - end_us, closed_us, self._pauses)
        self.state, self._held_us = "at-rest", None
        self.reading = rest_reading(passage, self._settings.geometry)
        self.arm_to_end_ms = (passage.arm_to_end_us + 500) // 1000

    def _lose(self, reason: Reason | None) -> None:
        self.state, self.reason = "lost", reason
        self._wanted, self._held_us, self.reading = 0, None, None


def arrival_settings(site: BerthSite) -> ArrivalSettings:
    """What the site file says of a berth, in the words of its arrival."""
    usual = PassageGeometry()
    geometry = PassageGeometry(
        run_um=site.arming_to_end * 100 or usual.run_um, window_um=site.end_window * 100 or usual.window_um
    )
    return ArrivalSettings(
        admit_power=site.approach_power,
        creep_power=site.creep_power,
        settle_us=site.debounce_ms * 1000,
        arming_timeout_ms=site.arming_timeout_ms,
        end_timeout_ms=site.end_timeout_ms,
        geometry=geometry,
    )
