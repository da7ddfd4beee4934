"""A crane: homes, parks, jogs, and moves one box at a time, in legs that it reports."""

from .axis import MOTION_MS, Axis
from .inputs import Inputs
from .places import Places

DEBOUNCE_MS = 3
GRIP_MS = 400  # what the spreader takes to close or to open
FEEL_MS = 1500  # what the load sensor may take after that
HOMES = ("home-x", "home-y", "home-z")

# What a leg does, and the step that it is part of.
PICK = (
    ("open", "travel-to-pick"), ("up", "travel-to-pick"), ("over", "travel-to-pick"), ("down", "lower-to-pick"),
    ("grip", "grip"),
)  # fmt: skip
DROP = (
    ("up", "lift"), ("up", "travel-to-drop"), ("over", "travel-to-drop"), ("down", "lower-to-drop"),
    ("release", "release"), ("up", "clear"),
)  # fmt: skip
GO = (("up", "travel"), ("over", "travel"), ("down", "travel"))
HOMING = (("home", "homing"),)
CARRIES = ("lift", "travel-to-drop", "lower-to-drop")


class Crane:
    """The machine of a crane: what it knows of its axes and its spreader."""

    def __init__(self, node) -> None:
        self._node, self._site = node, node.site["crane"]
        self._axes = [Axis(node, number, axis) for number, axis in enumerate(self._site["axes"])]
        self._hoist = self._axes[-1]
        self._places = Places(self._site["places"])
        self._has_sensor = self._site["load_sensor"]
        self._homes = HOMES[: len(self._axes)]
        load = ("load",) if self._has_sensor else ()
        self.inputs = Inputs(node, self._homes + load, DEBOUNCE_MS, ("by-hand",))
        self._legs: tuple = ()
        self._leg: int | None = None
        self._drops = 0  # from this leg on it goes to where it drops
        self._homing: list = []
        self._pick: tuple = ()
        self._drop: tuple = ()
        self._reading = 0
        self._targets: list = []
        self._due_ms = self._held_ms = self._grip_ms = 0
        self._moved_ms = node.now_ms
        self._load, self._spreader = "unsure", "unsure"
        self._closing = self._braking = self._gripped = (
            False  # gripped: it has moved, its sensor is waited for
        )

    def start(self) -> None:
        """The controller has started: nothing moves, and no position means anything."""
        self._node.board.spreader_off()
        for axis in self._axes:
            axis.lost()
        if self._has_sensor:
            self._load = self._felt()
        else:
            self._node.faults.warn("load-unsure")  # [CRN-09]

    def _felt(self) -> str:
        return "box" if self.inputs.is_closed("load") else "none"

    def _feel_load(self) -> None:
        """After a fault nobody knows the load until its sensor has settled; that the fault is reset tells nothing."""
        if not self.inputs.is_unsettled("load"):
            self._load = self._felt()
        elif self._node.machine.state == "faulted":
            self._load = "unsure"

    def load(self) -> str:
        """What the spreader holds, as far as the crane knows."""
        return self._load

    def is_moving(self) -> bool:
        """Whether an axis or the spreader moves."""
        return self._spreader == "moving" or any(axis.moves() for axis in self._axes)

    def body(self) -> dict:
        """Its part of crane-status."""
        return {
            "mode": self._node.machine.state,
            "axes": [(axis.at, axis.target, axis.homed) for axis in self._axes],
            "spreader": self._spreader,
            "load": self.load(),
        }

    # ------------------------------------------------------------ questions of the checks

    def load_fits(self, order: dict) -> bool:
        """Whether the spreader is empty for a transfer from a slot, and holds a box for one without."""
        return order["act"] != "transfer" or self._load == ("none" if "from" in order else "box")

    def knows_place(self, order: dict) -> bool:
        """Whether both ends of a transfer are in its tables. No job is open here, so those of the last one are free."""
        if order["act"] != "transfer":
            return True
        drop = self._places.find(order, "to", "to_slot")
        pick = self._places.find(order, "from", "from_slot") if "from" in order else drop
        if drop is None or pick is None:
            return False
        self._pick, self._drop = pick, drop
        kinds = (self._places.kind(pick), self._places.kind(drop))
        return pick[0] == drop[0] or kinds != ("track", "track")

    def within_table(self, order: dict) -> bool:
        """Whether the reading was measured."""
        if order["act"] != "transfer":
            return True
        reading = order.get("reading", 0)
        return all(self._places.is_measured(end, reading) for end in (self._pick, self._drop))

    def within_reach(self, order: dict) -> bool:
        """Whether every axis may go where the order asks it to."""
        if order["act"] == "jog":
            targets = order["target"]
            return len(targets) == len(self._axes) and all(
                axis.least <= targets[number] <= axis.most for number, axis in enumerate(self._axes)
            )
        if order["act"] != "transfer":
            return True
        reading = order.get("reading", 0)
        for number, axis in enumerate(self._axes):
            for end in (self._pick, self._drop):
                if not axis.least <= self._places.position(number, end, reading) <= axis.most:
                    return False
        return True

    def finding_fits(self, order: dict) -> bool:
        """Of a spreader a person can say what it holds."""
        return "found" in order and "place" not in order

    # ------------------------------------------------------------ legs

    def _set_spreader(self, state: str) -> None:
        self._spreader = state
        self._node.speaker.role_changed()

    def _drive_spreader(self, closing: bool) -> None:
        if self._spreader == ("closed" if closing else "open"):
            return
        self._closing = closing
        self._grip_ms = self._node.now_ms
        self._set_spreader("moving")
        self._node.motor_started()
        self._node.board.spreader(closing)

    def _leg_target(self, number: int) -> int:
        """Where an axis has to go in the present leg."""
        assert self._leg is not None
        if self._legs[self._leg][0] == "up":
            return self._site["travel"]
        if self._node.job.act != "transfer":
            return self._targets[number]
        return self._places.position(
            number, self._pick if self._leg < self._drops else self._drop, self._reading
        )

    def _leg_axes(self, what: str) -> list:
        """The axes that move in a leg, by their numbers: 'over' all but the hoist, else the hoist."""
        hoist = len(self._axes) - 1
        return list(range(hoist)) if what == "over" else [hoist]

    def _begin_leg(self) -> None:
        """Begin a leg, again after a hold."""
        assert self._leg is not None
        what = self._legs[self._leg][0]
        if what in ("open", "release"):
            self._drive_spreader(False)
        elif what == "grip":
            self._drive_spreader(True)
        elif what == "home":
            self._axes[self._homing[0]].seek()
        else:
            for number in self._leg_axes(what):
                self._axes[number].move(self._leg_target(number))

    def _next_leg(self) -> None:
        """Go on with the leg that is due, or be done with the job."""
        assert self._leg is not None
        node = self._node
        self._gripped = False
        if self._leg >= len(self._legs):
            self._leg = None
            node.machine.fire("finish")
            node.finish()
            return
        if node.job.act == "transfer" and self._leg >= self._drops - 1:
            node.job.past_return = True  # from the grip on something may be picked [ORD-17]
        node.job_at(self._legs[self._leg][1])
        self._begin_leg()

    def _has_load(self, wanted: str, otherwise: str) -> bool:
        """The spreader has moved, and a sensor, where there is one, feels the load that was wanted."""
        node = self._node
        if self._spreader == "moving":
            return False
        if not self._has_sensor:
            self._load = wanted
            node.speaker.role_changed()
        if self._load == wanted:
            return True
        if not self._gripped:
            self._gripped = True
            self._grip_ms = node.now_ms
        elif node.now_ms - self._grip_ms >= FEEL_MS:
            node.faults.halt(otherwise, "spreader")
        return False

    def _leg_ended(self, what: str) -> bool:
        if what == "open":
            return self._spreader == "open"
        if what == "grip":
            return self._has_load("box", "pick-missed")
        if what == "release":
            return self._has_load("none", "drop-failed")
        if what == "home":
            number = self._homing[0]
            return self._axes[number].is_home(self.inputs.is_closed(self._homes[number]))
        return all(self._axes[number].is_at(self._leg_target(number)) for number in self._leg_axes(what))

    def _slowest(self) -> str:
        """The axis that a late job waits for."""
        for axis in self._axes[:-1]:
            if not axis.homed or not axis.is_at(axis.target):
                return axis.name
        return self._hoist.name

    def _proceed(self) -> bool:
        assert self._leg is not None
        node = self._node
        what, step = self._legs[self._leg]
        if node.now_ms >= self._due_ms:
            node.faults.halt("home-missed" if step == "homing" else "axis-stuck", self._slowest())
            return True
        if step in CARRIES and self._load != "box":
            node.faults.halt("pick-missed", "spreader")
            return True
        if not self._leg_ended(what):
            return self._leg is None
        if what == "home":
            self._homing.pop(0)
        if not self._homing:
            self._leg += 1
        self._next_leg()
        return True

    # ------------------------------------------------------------ what happens to a crane

    def accept(self, order: dict) -> None:
        """A job was accepted; it has not begun."""
        act = order["act"]
        self._reading = order.get("reading", 0)
        self._targets = [axis.park for axis in self._axes] if act == "park" else order.get("target", [])
        self._homing = []
        self._leg, self._drops = 0, 0
        if act == "home":
            hoist = len(self._axes) - 1
            self._homing = [hoist] + list(range(hoist))  # the hoist comes first
            self._legs = HOMING
        elif act == "transfer":
            self._legs = PICK + DROP if "from" in order else DROP
            self._drops = len(self._legs) - len(DROP)
        else:
            self._legs = GO

    def begin(self) -> None:
        """The job begins."""
        node = self._node
        node.machine.fire(node.job.act)
        if node.job.act == "home":
            for axis in self._axes:
                axis.homed = False
        self._due_ms = node.now_ms + self._site["job_timeout_ms"]
        self._next_leg()

    def _brake_all(self) -> None:
        for axis in self._axes:
            axis.brake()
        if self._spreader == "moving":
            self._node.board.spreader_off()  # fingers under way stand
            self._set_spreader("unsure")

    def _come_to_rest(self) -> bool:
        """'ready' means that every axis stands on its target, so the mode waits for that [CRN-11]."""
        if self.is_moving():
            return False
        self._braking = False
        self._node.machine.fire("cancel")
        return True

    def cancel(self) -> None:
        """The job is gone, with nothing picked."""
        self._leg = None
        self._brake_all()
        self._braking = self._node.machine.state in ("homing", "working")
        if self._braking:
            self._come_to_rest()

    def hold(self) -> None:
        """Stop what moves."""
        self._held_ms = self._node.now_ms
        self._brake_all()

    def resume(self) -> None:
        """The leg under way begins again where it was stopped; the time held counts for no time-out [HLD-05]."""
        self._due_ms += self._node.now_ms - self._held_ms
        self._gripped = False
        if self._leg is not None and self._node.job.state == "running":
            self._begin_leg()

    def halt(self) -> None:
        """A fault of level halt. With the spreader under way and no sensor nobody knows what it holds."""
        half = (
            not self._has_sensor and self._leg is not None and self._legs[self._leg][1] in ("grip", "release")
        )
        self._leg = None
        self._braking = False
        self._brake_all()
        self._node.machine.fire("halt")
        if self._has_sensor:
            self._feel_load()
        if half:
            self._load = "unsure"
            self._node.faults.warn("load-unsure")

    def power_lost(self) -> None:
        """Motor power is off: every axis stands, and nobody knows where."""
        self._brake_all()
        self._node.board.spreader_off()
        for axis in self._axes:
            axis.lost()

    def reset(self, order: dict) -> None:
        """A person's word settles a load that no sensor feels. Moves nothing [FLT-05]."""
        if not self._has_sensor and "found" in order:
            self._load = order["found"]
            self._node.speaker.role_changed()
            self._node.faults.clear("load-unsure")
        homed = all(axis.homed for axis in self._axes)
        self._node.machine.fire("reset-fault", "every_axis_homed" if homed else "an_axis_unhomed")

    def _follow_hand(self) -> bool:
        """Moved by hand from the switch on, once no job is open; after it no position means anything."""
        node, by_hand = self._node, self.inputs.is_closed("by-hand")
        if by_hand == (node.machine.state == "manual") or node.job_open():
            return False
        if not node.machine.fire("by-hand" if by_hand else "by-hand-end"):
            return False
        for axis in self._axes:
            axis.homed = False
        return True

    def _follow_axes(self) -> None:
        """Move the setpoints on to now, and see where the axes are."""
        while self._node.now_ms - self._moved_ms >= MOTION_MS:
            if not self.is_moving():
                self._moved_ms = self._node.now_ms
                break
            self._moved_ms += MOTION_MS
            for axis in self._axes:
                if axis.moves():
                    axis.step()
        for axis in self._axes:
            axis.follow()

    def tick(self) -> bool:
        """At most one thing changes; true where something did, and more may follow."""
        node = self._node
        self._follow_axes()
        if self._spreader == "moving" and node.now_ms - self._grip_ms >= GRIP_MS:
            self._set_spreader("closed" if self._closing else "open")
        if self._has_sensor:
            self._feel_load()
        self.inputs.changed.clear()
        if self._follow_hand():
            return True
        if self._braking:
            return self._come_to_rest()
        return self._leg is not None and not node.held and node.job.state == "running" and self._proceed()
