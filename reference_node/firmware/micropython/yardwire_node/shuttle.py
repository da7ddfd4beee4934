"""A shuttle: drives from stop to stop, and knows where it stands only by a sensor or a person."""

from .inputs import Inputs

POWER = 60  # percent


class Shuttle:
    """The machine of a shuttle: what it knows of its car."""

    def __init__(self, node) -> None:
        self._node, self._site = node, node.site["shuttle"]
        self._stops: tuple = self._site["stops"]
        self._sensors = tuple(["stop-" + str(number + 1) for number in range(len(self._stops))])
        load = ("load",) if self._site["load_sensor"] else ()
        self.inputs = Inputs(node, self._sensors + load, self._site["debounce_ms"])
        self._place: int | None = None
        self._target = self._passed = 0
        self._stop = 0
        self._due_ms = self._held_ms = 0
        self._reached = self._is_on = False

    def start(self) -> None:
        """The controller has started: nothing moves."""
        self._drive(False)

    def _drive(self, on: bool) -> None:
        """Towards the target: to the last stop it is plus."""
        if on and not self._is_on:
            self._node.motor_started()
        self._is_on = on
        self._node.board.motor(0 if not on else POWER if self._target > self._passed else -POWER)

    def load(self) -> str:
        """What the deck holds, as far as a sensor tells."""
        if not self._site["load_sensor"]:
            return "unsure"
        return "box" if self.inputs.is_closed("load") else "none"

    def is_moving(self) -> bool:
        """Whether it says more often where it is: a shuttle has nothing to say between two stops."""
        return False

    def body(self) -> dict:
        """Its part of shuttle-status."""
        body = {"state": self._node.machine.state, "stop": self._stop, "load": self.load()}
        if self._node.machine.state == "at-place" and self._place is not None:
            body["place"] = self._stops[self._place]
        return body

    # ------------------------------------------------------------ questions of the checks

    def load_fits(self, order: dict) -> bool:
        """A run needs no load."""
        return True

    def knows_place(self, order: dict) -> bool:
        """Whether it serves the stop."""
        return order["to"] in self._stops

    def within_table(self, order: dict) -> bool:
        """A shuttle has no table."""
        return True

    def within_reach(self, order: dict) -> bool:
        """A shuttle has no axes."""
        return True

    def finding_fits(self, order: dict) -> bool:
        """A person can say at which stop it stands [SHT-06]."""
        return order.get("place") in self._stops

    # ------------------------------------------------------------ what happens to a shuttle

    def accept(self, order: dict) -> None:
        """A run was accepted; it has not begun."""
        self._target = self._stops.index(order["to"])

    def begin(self) -> None:
        """The run begins."""
        node = self._node
        node.machine.fire("run")
        node.job.past_return = True
        node.job_at("travel")
        self._due_ms = node.now_ms + self._site["run_timeout_ms"]
        self._reached = self._place == self._target
        self._passed = self._place if self._place is not None else 0
        self._place = None
        if not self._reached:
            self._drive(True)

    def _stand_at(self, place: int) -> None:
        """Every time it comes to stand at a place is a stop of its own [SHT-05]."""
        self._place = place
        self._stop = (self._stop + 1) & 0xFFFF
        self._node.speaker.role_changed()

    def _pass(self, stop: int) -> None:
        if self._node.machine.state != "moving":
            return
        self._passed = stop
        if stop == self._target:
            self._reached = True
            self._drive(False)

    def tick(self) -> bool:
        """At most one thing changes; true where something did, and more may follow."""
        node = self._node
        changed = [sensor for sensor in self._sensors if sensor in self.inputs.changed]
        self.inputs.changed.clear()
        for sensor in changed:
            if self.inputs.is_closed(sensor):
                self._pass(self._sensors.index(sensor))
        if node.machine.state == "at-place":
            return bool(changed) and node.was_pushed(changed[0])
        if node.machine.state != "moving" or node.held:
            return False
        if self._reached:
            self._reached = False
            node.machine.fire("stop", "stop_is_target")
            self._stand_at(self._target)
            node.stands()
            node.finish()
            return True
        if node.now_ms >= self._due_ms:
            node.faults.halt("stop-missed")
            return True
        return False

    def cancel(self) -> None:
        """A job that has not begun is gone."""

    def hold(self) -> None:
        """Stand where it is."""
        self._held_ms = self._node.now_ms
        self._drive(False)

    def resume(self) -> None:
        """Go on; the time held counts for no time-out [HLD-05]."""
        self._due_ms += self._node.now_ms - self._held_ms
        if self._node.machine.state == "moving" and not self._reached:
            self._drive(True)

    def halt(self) -> None:
        """A fault of level halt: nobody knows where it stands."""
        self._drive(False)
        self._place = None
        self._reached = False
        self._node.machine.fire("halt")

    def power_lost(self) -> None:
        """Motor power is off."""
        self._drive(False)

    def reset(self, order: dict) -> None:
        """A person has looked."""
        is_found = "place" in order
        if self._node.machine.state == "lost" and is_found:
            self._stand_at(self._stops.index(order["place"]))
        if self._node.machine.fire("reset-fault", "place_found" if is_found else "nothing_said"):
            self._node.stands()
