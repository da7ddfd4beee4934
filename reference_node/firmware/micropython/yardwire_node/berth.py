"""A berth: lets a train in, finds out where it came to rest, lets it go. A train is found, not counted."""

from .inputs import Inputs
from .reading import Passage, rest_reading

REST_MS = 3000  # longer than any train rolls without power
DEPART_POWER = 100


class Berth:
    """The machine of a berth: what it knows of its track."""

    def __init__(self, node) -> None:
        self._node, self._site = node, node.site["berth"]
        self.inputs = Inputs(node, ("arming", "end"), self._site["debounce_ms"])
        self._power = 0
        self._train = ""
        self._arrival = self._ignored = self._reading = 0
        self._passage = Passage()
        self._arm_to_end_ms = 0
        self._begun_ms = self._armed_ms = self._cut_ms = self._held_ms = self._last_ms = 0
        self._armed_at = self._end_at = 0
        self._ended = self._coasts = self._moved = False  # moved: a sensor has seen that the train leaves

    def start(self) -> None:
        """The controller has started: the track has no power."""
        self._drive(0)

    def _drive(self, power: int) -> None:
        if power and not self._power:
            self._node.motor_started()
        self._power = power
        self._node.board.motor(power)

    def load(self) -> str:
        """A berth has no word for it."""
        return ""

    def is_moving(self) -> bool:
        """Whether it says more often where it is: a berth has nothing to say between two sensors."""
        return False

    def body(self) -> dict:
        """Its part of train-arrival."""
        state = self._node.machine.state
        body = {"state": state, "arrival": self._arrival, "ignored": self._ignored}
        if state == "at-rest":
            body["reading"] = self._reading
            body["arm_to_end"] = self._arm_to_end_ms
        if self._train and state != "empty":
            body["train"] = self._train
        return body

    # ------------------------------------------------------------ questions of the checks

    def load_fits(self, order: dict) -> bool:
        """A berth has no load."""
        return True

    def knows_place(self, order: dict) -> bool:
        """A berth has one place."""
        return True

    def within_table(self, order: dict) -> bool:
        """A berth has no table."""
        return True

    def within_reach(self, order: dict) -> bool:
        """A berth has no axes."""
        return True

    def finding_fits(self, order: dict) -> bool:
        """Of a track a person can say that it is empty, and no more."""
        return order.get("found") == "none" and "place" not in order

    # ------------------------------------------------------------ what happens to a berth

    def accept(self, order: dict) -> None:
        """Every admit that is accepted is an arrival of its own [BER-06]."""
        if order["act"] == "admit":
            self._arrival = (self._arrival + 1) & 0xFFFF
            self._train = order.get("train", "")

    def begin(self) -> None:
        """The job begins."""
        node = self._node
        node.machine.fire(node.job.act)
        node.job.past_return = True
        self._begun_ms = self._last_ms = node.now_ms
        self._moved = False
        if node.job.act == "depart":
            self._drive(DEPART_POWER)
            node.job_at("leaving")
            return
        self._ended = self._coasts = False
        self._ignored = 0
        self._passage = Passage()
        if self.inputs.was_seen_closed("arming"):
            node.faults.halt("input-lost", "arming")  # a train is there, or the line is stuck
            return
        self._drive(self._site["approach_power"])
        node.job_at("approach")

    def _is_over(self, since_ms: int, most_ms: int) -> bool:
        return self._node.now_ms - since_ms >= most_ms

    def _approaches(self) -> bool:
        """Until armed a pulse of the end sensor is counted, and changes nothing [BER-04]."""
        node, inputs = self._node, self.inputs
        both = len(inputs.changed) == 2
        end_first = not both or inputs.since("end") < inputs.since("arming")
        if end_first and inputs.took("end") and inputs.is_closed("end"):
            self._ignored = (self._ignored + 1) & 0xFFFF
            node.machine.fire("end")
            node.speaker.role_changed()
            return True
        if inputs.took("arming") and inputs.is_closed("arming"):
            self._armed_ms = node.now_ms
            self._armed_at = inputs.since("arming")
            node.machine.fire("arming")
            self._drive(0 if node.held else self._site["creep_power"])
            node.job_at("arming-passed")
            return True
        if not node.held and self._is_over(self._begun_ms, self._site["arming_timeout_ms"]):
            node.faults.halt("not-armed", "arming")
            return True
        return False

    def _comes_to_rest(self) -> None:
        self._arm_to_end_ms = self._passage.arm_to_end_ms
        self._reading = rest_reading(self._passage, self._site["arming_to_end"], self._site["end_window"])
        self._node.machine.fire("rest")
        self._node.stands()
        self._node.finish()

    def _feel_end(self) -> bool:
        """The first pulse of the end sensor cuts the power; how long it lasts tells how the train slows down."""
        node, inputs, passage = self._node, self.inputs, self._passage
        if not self._ended and inputs.is_closed("end"):
            if node.held:  # It rolls out already, from an unknown speed: no reading could be true.
                node.faults.halt("end-missed", "end")
                return True
            self._ended = True
            self._drive(0)
            # The power is off now, however long ago it was felt.
            self._cut_ms, self._end_at = node.board.clock_ms(), inputs.since("end")
            passage.arm_to_end_ms = (self._end_at - self._armed_at) & 0xFFFF
            passage.end_to_cut_ms = self._cut_ms - self._end_at
        elif self._ended and not inputs.is_closed("end") and not passage.opened:
            passage.opened = True
            passage.closed_ms = inputs.since("end") - self._end_at
        return False

    def _passes_end(self) -> bool:
        node = self._node
        self.inputs.took("arming")
        if self.inputs.took("end") and self._feel_end():
            return True
        if self._ended:
            if self._is_over(self._cut_ms, REST_MS):
                self._comes_to_rest()
                return True
            if not self._coasts and not node.held:
                self._coasts = True
                node.job_at("coasting")
                return True
        elif not node.held and self._is_over(self._armed_ms, self._site["end_timeout_ms"]):
            node.faults.halt("end-missed", "end")
            return True
        return False

    def _leaves(self) -> bool:
        """Gone once the sensors, having seen it move, have been quiet for long enough."""
        node = self._node
        if self.inputs.changed:
            self.inputs.changed.clear()
            self._moved = True
            self._last_ms = node.now_ms
        wait_ms = self._site["clear_ms"] if self._moved else self._site["arming_timeout_ms"]
        if node.held or not self._is_over(self._last_ms, wait_ms):
            return False
        if not self._moved:
            node.faults.halt("train-stuck")
            return True
        self._drive(0)
        node.machine.fire("gone")
        node.stands()
        node.finish()
        return True

    def tick(self) -> bool:
        """At most one thing changes; true where something did, and more may follow."""
        state = self._node.machine.state
        if state == "admitting":
            return self._approaches()
        if state == "armed":
            return self._passes_end()
        if state == "leaving":
            return self._leaves()
        changed = list(self.inputs.changed)
        self.inputs.changed.clear()
        if state == "lost" or not changed:
            return False
        return self._node.was_pushed("arming" if "arming" in changed else "end")

    def cancel(self) -> None:
        """A job that has not begun is gone."""

    def hold(self) -> None:
        """No power for the track."""
        self._held_ms = self._node.now_ms
        self._drive(0)

    def resume(self) -> None:
        """Go on; the time held counts for no time-out and for no speed [HLD-05]."""
        now_ms, state = self._node.now_ms, self._node.machine.state
        self._begun_ms += now_ms - self._held_ms
        self._last_ms += now_ms - max(self._held_ms, self._last_ms)
        if state == "armed" and not self._ended:
            stood_ms = now_ms - max(self._held_ms, self._armed_ms)
            self._armed_ms += stood_ms
            self._armed_at += stood_ms
            self._passage.pauses += 1
            self._drive(self._site["creep_power"])
        elif state == "admitting":
            self._drive(self._site["approach_power"])
        elif state == "leaving":
            self._drive(DEPART_POWER)

    def halt(self) -> None:
        """A fault of level halt: nobody knows where the train is."""
        self._drive(0)
        self._node.machine.fire("halt")

    def power_lost(self) -> None:
        """Motor power is off."""
        self._drive(0)

    def reset(self, order: dict) -> None:
        """A person has looked."""
        guard = "track_found_empty" if order.get("found") == "none" else "nothing_said"
        if self._node.machine.fire("reset-fault", guard):
            self._node.stands()
