"""The model of a berth's track: a train passes the arming sensor, then the end sensor, and is at rest; or leaves."""

from __future__ import annotations

from protocol.site import NodeSite, Site
from tests.proof.yard.motion import Host


class TrackModel:
    """In the place of `TrackMachine`; `passed` is what the train has done of its way since it stood last."""

    def __init__(self, site: Site, node: NodeSite, host: Host) -> None:
        place = site.place_of(node.name)
        self._name, self._host, self._place = node.name, host, place.name if place is not None else ""
        self.power = 0
        self.passed = 0
        self.starts = 0

    @property
    def still(self) -> bool:
        return self.power == 0

    @property
    def busy(self) -> bool:
        return self.power > 0 and self.passed < 4 and not self._host.jammed

    def drive(self, power: int) -> None:
        if power and not self.power:
            self.starts += 1
            self._host.began()
            world = self._host.world
            if world.train_of(self._name) != "moving":
                self.passed = 4 if world.train_of(self._name) == "at rest" else 0
                self._host.world = world.with_train(self._name, "moving")
        self.power = power

    def power_off(self) -> None:
        self.drive(0)

    def levels(self) -> dict[str, bool]:
        return {"arming": self.passed == 1, "end": self.passed == 3}

    def complete(self) -> None:
        self.passed += 1
