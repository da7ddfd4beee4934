"""A simulated shuttle: a car on a line, and the deck that the world's boxes stand on."""

from __future__ import annotations

from protocol.site import NodeSite, ShuttleSite
from reference_node.machines.world import World
from reference_node.mechanism.edge import Edge
from reference_node.mechanism.shuttle_car import ShuttleCar, ShuttleTrack

SPACING_MM, SPEED, ACCELERATION = 500.0, 150.0, 200.0


class ShuttleMachine:
    """What a shuttle's controller can command and see; `car` is the truth behind it."""

    def __init__(self, node: NodeSite, site: ShuttleSite, world: World, now_ms: int = 0) -> None:
        self._lines = {stop: f"stop-{number}" for number, stop in enumerate(site.stops, start=1)}
        places = {stop: number * SPACING_MM for number, stop in enumerate(site.stops)}
        self.car = ShuttleCar(ShuttleTrack(places, SPEED, ACCELERATION), 0.0, now_ms)
        self._deck = world.site.place_of(node.name)
        self._world, self._senses_load = world, site.load_sensor
        if self._deck is not None:
            world.knows_deck(self._deck.name, self._offsets)

    @property
    def starts(self) -> int:
        """How often the motor was switched on."""
        return self.car.starts

    @property
    def still(self) -> bool:
        """Whether the motor is off."""
        return not self.car.moving

    def run_to(self, stop: str) -> None:
        """Drive to `stop`."""
        self.car.run_to(stop)

    def brake(self) -> None:
        """Come to rest."""
        if self.car.moving:
            self.car.stop()

    def power_off(self) -> None:
        """Remove motor power."""
        self.car.power_off()

    def levels(self) -> dict[str, bool]:
        """Stop sensors, and the load sensor where there is one."""
        found = {self._lines[stop]: level for stop, level in self.car.levels.items()}
        loaded = any(slot[0] == self._deck.name for slot in self._world.boxes) if self._deck else False
        return found | ({"load": loaded} if self._senses_load else {})

    def next_event_us(self) -> int | None:
        """The next edge, or the end of the run."""
        done = self.car.done_at
        due = (self.car.next_edge_us, None if done is None else done * 1000)
        return min((time for time in due if time is not None), default=None)

    def advance(self, to_us: int) -> list[Edge]:
        """Let time run and give the edges up to then, under the names of the specification."""
        edges = self.car.advance(-(-to_us // 1000))
        return [Edge(edge.at_us, self._lines[edge.sensor], edge.closed) for edge in edges]

    def _offsets(self) -> dict[str, float]:
        return {stop: self.car.true_position - place for stop, place in self.car.line.stops.items()}
