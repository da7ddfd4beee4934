"""A simulated siding: a track with two sensors, and trains that come in one after the other."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from itertools import cycle

from protocol.site import BerthSite, CranePlace, NodeSite
from reference_node.machines.world import World, surveyed
from reference_node.mechanism.edge import Edge
from reference_node.mechanism.reed import Reed
from reference_node.mechanism.track import Track
from reference_node.mechanism.train import Consist, Locomotive, Train
from reference_node.sensing.arrival import Arrival, arrival_settings

END_AT, ARMING_AT = 0.0, 940.0
"""Where the sensors lie along the track, in mm."""

WAITS_AT = END_AT - 300
"""Where the front of the next train waits."""

OFF_STAGE = ARMING_AT + 100
"""A train whose last wagon is past this has left."""


def survey_train(creep_power: int, creep: float = 55.0, coasts: float = 80.0) -> Consist:
    """The train that the crane's table was measured with: it creeps at 55 mm/s and coasts at 80 mm/s^2."""
    mass, lag = 1000.0, 0.14
    damping, friction = mass / 1000 / lag, coasts * mass / 1000
    pull = (creep * damping + friction) * 100 / creep_power
    return Consist(Locomotive(pull, damping, friction, rolling=0.02 * damping), (240, 240, 240, 240), mass)


class TrackMachine:
    """What a berth's controller can command and see; `track` is the truth behind it."""

    def __init__(
        self,
        node: NodeSite,
        site: BerthSite,
        world: World,
        rng: random.Random,
        now_ms: int = 0,
        trains: Sequence[Consist] | None = None,
    ) -> None:
        self._site, self._world, self._rng = site, world, rng
        self._place = world.site.place_of(node.name)
        self._trains: Iterator[Consist] = cycle(trains or [survey_train(site.creep_power)])
        self._imperfect = [
            one for (_, place), one in world.imperfect.items() if self._place and place == self._place.name
        ]
        self._name, self._chance = "", 0.0
        if self._imperfect:
            self._trains = self._different_trains()
        self._starts = 0
        self.track = self._stage(now_ms * 1000)
        if self._place is not None:
            world.knows_track(self._place.name, self._first_axis)

    @property
    def starts(self) -> int:
        """How often the motor was switched on."""
        return self._starts + self.track.starts

    @property
    def still(self) -> bool:
        """Whether the motor is off."""
        return self.track.train.power == 0

    def drive(self, power: int) -> None:
        """Give the track a duty in percent; the next train waits where the last one has left."""
        if power and self._has_left():
            self._starts += self.track.starts
            if self._place is not None:
                self._world.depart(self._place.name)
            self.track = self._stage(self.track.now_us)
        self.track.drive(power)

    def next_train(self) -> Consist:
        """The one that waits to be put on."""
        return next(self._trains)

    def put_on(self, train: Consist, name: str = "") -> None:
        """A person puts `train` where trains wait, and takes off what stood on the track."""
        self._starts += self.track.starts
        self._name = name
        self._draw()
        self.track = Track(
            Train(train, WAITS_AT, self.track.now_us), self._reeds(), self._rng, self.track.now_us
        )

    def take_off(self) -> None:
        """A person takes off what stands on the track; the next train waits."""
        self._starts += self.track.starts
        self.track = self._stage(self.track.now_us)

    @property
    def is_waiting(self) -> bool:
        """Whether no train is on the track: the last one has left, or the next one has not moved yet."""
        train, now_us = self.track.train, self.track.now_us
        return self._has_left() or (self.track.starts == 0 and not train.power and not train.speed_at(now_us))

    def power_off(self) -> None:
        """Remove motor power; the train rolls out."""
        self.track.drive(0)

    def levels(self) -> dict[str, bool]:
        """Both sensors."""
        return self.track.levels

    def next_event_us(self) -> int | None:
        """When a line may change next."""
        return self.track.next_event_us()

    def advance(self, to_us: int) -> list[Edge]:
        """Let time run and give the edges up to then."""
        return self.track.advance(to_us)

    def _stage(self, now_us: int) -> Track:
        self._draw()
        return Track(Train(next(self._trains), WAITS_AT, now_us), self._reeds(), self._rng, now_us)

    def _reeds(self) -> list[Reed]:
        return [Reed("end", END_AT), Reed("arming", ARMING_AT)]

    def _has_left(self) -> bool:
        return self.track.train.end_at(self.track.now_us) > OFF_STAGE

    def _draw(self) -> None:
        """How far the next train will rest from where its locomotive usually does: one draw an arrival."""
        if self._imperfect:
            self._chance = self._rng.gauss(0, 1)

    def _different_trains(self) -> Iterator[Consist]:
        """Trains that roll out differently far, so that they come to rest all over what a table may hold."""
        low, high = (self._imperfect[0].low / 10, self._imperfect[0].high / 10)
        while True:
            coasts = self._rng.uniform(76, 84)
            creep = math.sqrt(2 * coasts * self._rng.uniform(low, high))
            yield survey_train(self._site.creep_power, creep, coasts)

    def _first_axis(self, crane: str, place: CranePlace) -> float | None:
        """Where the end of the train stands on the first axis of a crane: where the survey's train would."""
        now_us = self.track.now_us
        if self._place is None or self.track.train.speed_at(now_us):
            return None
        end = self.track.train.end_at(now_us)
        reading, stood_at = self._survey()
        imperfect = self._world.imperfect.get((crane, self._place.name))
        if imperfect is not None:
            return imperfect.stands(reading + 10 * (end - stood_at), self._name, self._chance, now_us / 1e6)
        return surveyed(place.table, reading) - stood_at + end

    def _survey(self) -> tuple[int, float]:
        """Bring in the survey's train on a track of its own: its reading, and where it really stood."""
        train = Train(survey_train(self._site.creep_power), WAITS_AT)
        track = Track(train, self._reeds(), random.Random(0))
        arrival = Arrival(arrival_settings(self._site))
        arrival.begin(0, track.levels)
        track.drive(arrival.power)
        while arrival.under_way:
            due_ms = arrival.due_ms
            times = (track.next_event_us(), None if due_ms is None else due_ms * 1000)
            now_us = min(time for time in times if time is not None)
            for edge in track.advance(now_us):
                arrival.edge(edge)
            arrival.tick(now_us // 1000)
            track.drive(arrival.power)
        return arrival.reading or 0, train.end_at(track.now_us)
