"""The role of a shuttle: drives from stop to stop and knows where it stands only by a sensor or a person."""

from __future__ import annotations

from typing import Any

from protocol.counting import next_count
from protocol.guards import Order
from protocol.site import ShuttleSite
from reference_node.machines.shuttle import ShuttleMachine
from reference_node.roles.role import Host, Role


class Shuttle(Role):
    """Runs, one after the other, through the states of `tables/shuttle.toml`."""

    name = "shuttle"
    message = "shuttle-status"

    def __init__(
        self, host: Host, site: ShuttleSite, machine: ShuttleMachine, levels: dict[str, bool]
    ) -> None:
        self._stops = {f"stop-{number}": stop for number, stop in enumerate(site.stops, start=1)}
        sensors = (*self._stops, "load") if site.load_sensor else tuple(self._stops)
        super().__init__(host, dict.fromkeys(sensors, site.debounce_ms * 1000), levels)
        self._site, self._car = site, machine
        self._place: str | None = None
        self._target = ""
        self._reached: str | None = None
        self._timeout_ms: int | None = None
        self._held_ms: int | None = None
        self.count = 0

    @property
    def load(self) -> str:
        """What stands on the deck; without a sensor nobody knows."""
        if not self._site.load_sensor:
            return "unsure"
        return "box" if self.lines["load"].level else "none"

    @property
    def due_ms(self) -> int | None:
        """Debounce, and the time-out of a run."""
        timeout = self._timeout_ms if self._held_ms is None else None
        return min((due for due in (self.lines_due_ms, timeout) if due is not None), default=None)

    def body(self) -> dict[str, Any]:
        """State, place, stop count and load."""
        body: dict[str, Any] = {"state": self.state, "stop": self.count, "load": self.load}
        return body | ({"place": self._place} if self.state == "at-place" else {})

    def knows_place(self, order: Order) -> bool:
        """Whether the shuttle serves the place that a run names [SHT-03]."""
        return order["to"] in self._site.stops

    def finding_fits(self, order: Order) -> bool:
        """SHT-06: a person can say at which stop it stands."""
        return order.get("place") in self._site.stops

    def accept(self, order: Order, now_ms: int) -> None:
        """Keep the target until the start."""
        self._target = order["to"]

    def start(self, now_ms: int) -> None:
        """The motor goes on; from here no way leads back. Where it stands already it need not."""
        self.machine.fire("run")
        self.host.past_return()
        self.host.step("travel")
        self._timeout_ms = now_ms + self._site.run_timeout_ms
        self._reached = self._target if self._place == self._target else None
        self._place = None
        if self._reached is None:
            self._car.run_to(self._target)

    def tick(self, now_ms: int) -> bool:
        """Believe the sensors, then see whether the run is over."""
        changed = [name for name, line in self.lines.items() if line.settle(now_ms * 1000) is not None]
        stops = [name for name in changed if name in self._stops]
        for sensor in stops:
            if self.lines[sensor].level:
                self._passes(self._stops[sensor])
        if self.state == "at-place":
            return self.was_pushed(stops, now_ms, "SHT-07")
        if self.state != "moving" or self._held_ms is not None:
            return False
        if self._reached is not None and self._car.still:
            self._arrive()
            self.stands(now_ms)
            return True
        if self._timeout_ms is not None and now_ms >= self._timeout_ms:
            self.host.halt(self, "stop-missed")
            return True
        return False

    def _passes(self, stop: str) -> None:
        """The car brakes by itself at the stop; on the bench, where the tester plays the sensor, now."""
        if self.state != "moving":
            return
        if stop != self._target:
            self.machine.fire("stop", {"stop": stop, "target": self._target})
        else:
            self._reached = stop
            if self.host.bench:
                self._car.brake()

    def _arrive(self) -> None:
        self.machine.fire("stop", {"stop": self._reached, "target": self._target})
        self._stand(self._target)
        self._timeout_ms = self._reached = None
        self.host.finish()

    def _stand(self, place: str) -> None:
        """SHT-05: every time it comes to stand at a place is a stop of its own."""
        self._place = place
        self.count = next_count(self.count)

    def hold(self, now_ms: int) -> None:
        """HLD-03: the car comes to rest, the time-out stops."""
        self._held_ms = now_ms
        self._car.brake()

    def resume(self, now_ms: int) -> None:
        """HLD-05: on to the target."""
        if self._held_ms is None:
            return
        if self._timeout_ms is not None:
            self._timeout_ms += now_ms - self._held_ms
        self._held_ms = None
        if self.state == "moving" and not (self.host.bench and self._reached):
            self._car.run_to(self._target)

    def halt(self, now_ms: int) -> None:
        """Outputs off; nobody knows where it stands."""
        self._car.brake()
        self._place = self._timeout_ms = self._reached = None
        super().halt(now_ms)

    def reset_fault(self, order: Order, now_ms: int) -> None:
        """SHT-06: at a place by a person's word alone. Moves nothing."""
        if self.state == "lost" and self.finding_fits(order):
            self._stand(order["place"])
        super().reset_fault(order, now_ms)
