"""The model of a berth's track: a train passes the arming sensor, then the end sensor, and rests; or leaves."""

from __future__ import annotations

from protocol.site import NodeSite, Site
from tests.proof.yard.motion import Host

PASS_MS = 2_000
"""From one edge of a sensor to the next."""
ARMING, AFTER_ARMING, END, AFTER_END, END_AGAIN, GONE = range(1, 7)
"""What a train has passed: the arming sensor closes and opens, the end sensor closes, opens, and again as it leaves."""


class TrackModel:
    """In the place of `TrackMachine`; `passed` is what the train has done of its way."""

    def __init__(self, site: Site, node: NodeSite, host: Host) -> None:
        place = site.place_of(node.name)
        self._name, self._host, self._place = node.name, host, place.name if place is not None else ""
        self.power = self.passed = self.starts = 0

    @property
    def still(self) -> bool:
        return self.power == 0

    @property
    def busy(self) -> bool:
        return self.power > 0 and self.passed < GONE and not self._host.jammed

    def drive(self, power: int) -> None:
        if power and not self.power:
            self.starts += 1
            self._host.began(PASS_MS)
            if self._host.world.train_of(self._name) == "away":
                self.passed = 0
            self._host.world = self._host.world.with_train(self._name, "moving")
        elif not power and self.power and self.passed == END:
            self._host.world = self._host.world.with_train(self._name, "at rest")
        self.power = power

    def power_off(self) -> None:
        self.drive(0)

    def levels(self) -> dict[str, bool]:
        return {"arming": self.passed == ARMING, "end": self.passed in (END, END_AGAIN)}

    def complete(self) -> None:
        """On to the next edge. A train that rests has its end magnet past the sensor."""
        self.passed = END_AGAIN if self.passed == END else self.passed + 1
        self._host.began(PASS_MS)
        if self.passed == GONE:
            world = self._host.world.with_train(self._name, "away")
            self._host.world = world.without_boxes(self._place)

    def taken_off(self) -> None:
        """A person has taken the train off the track."""
        self.power = self.passed = 0
