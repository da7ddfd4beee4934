"""The model of a shuttle: it is at a stop, or between two."""

from __future__ import annotations

from protocol.site import NodeSite
from tests.proof.yard.motion import Host


class ShuttleModel:
    """In the place of `ShuttleMachine`."""

    def __init__(self, node: NodeSite, host: Host) -> None:
        assert node.shuttle is not None
        self._name, self._stops, self._host, self._deck = node.name, node.shuttle.stops, host, ""
        self.aim = ""
        self.rolling = False
        self.starts = 0

    @property
    def still(self) -> bool:
        return not self.rolling

    @property
    def busy(self) -> bool:
        return self.rolling and not self._host.jammed

    def run_to(self, stop: str) -> None:
        self.aim, self.rolling = stop, True
        self._host.world = self._host.world.with_stand(self._name, "")
        self.starts += 1
        self._host.began()

    def brake(self) -> None:
        self.rolling, self.aim = False, ""

    def power_off(self) -> None:
        self.brake()

    def levels(self) -> dict[str, bool]:
        at = self._host.world.stand_of(self._name)
        return {f"stop-{number}": stop == at for number, stop in enumerate(self._stops, start=1)}

    def complete(self) -> None:
        self._host.world = self._host.world.with_stand(self._name, self.aim)
        self.rolling, self.aim = False, ""
