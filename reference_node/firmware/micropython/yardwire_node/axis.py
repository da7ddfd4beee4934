"""The setpoint of one axis of a crane: bounded speed and acceleration, integers alone."""

MOTION_MS = 10
STEPS = 1000 // MOTION_MS  # of motion in a second


def _quotient(one: int, other: int) -> int:
    """Of one by other, cut off towards zero."""
    return one // other if one >= 0 else -(-one // other)


class Axis:
    """An axis in its own unit; `setpoint` is where it is sent, `at` where it is.

    `origin` is the setpoint at which the board's own count is 0. `is_on`: it was ordered to move since the start or a
    loss of power [SAF-02].
    """

    def __init__(self, node, number: int, site: tuple) -> None:
        self._node, self._number = node, number
        self.name, self.least, self.most, self.home, self.park, self._speed, self._acceleration = site
        self.setpoint = self.target = self.at = self._origin = 0
        self._now = self._limit = self._rest = (
            0  # speed of now, limit of this move, rest of a step below one unit
        )
        self._homing = ""
        self.homed = self._is_on = False
        self._change = max(1, self._acceleration // STEPS)

    def moves(self) -> bool:
        """Whether its setpoint moves."""
        return self.target != self.setpoint or self._now != 0

    def is_at(self, place: int) -> bool:
        """Whether it stands there."""
        return not self.moves() and self.at == place

    def move(self, target: int, part: int = 1) -> None:
        """Go to `target` with a part of the speed of the site file."""
        moved = self.moves()
        self._is_on = True
        self.target = target
        self._limit = max(1, self._speed // part)
        if not moved and self.moves():
            self._node.motor_started()
        self._node.speaker.role_changed()

    def _braking(self) -> int:
        """The way in which it comes to rest from its speed."""
        return self._now * self._now // (2 * self._acceleration)

    def brake(self) -> None:
        """Come to rest by its deceleration: the target is where that ends."""
        self._homing = ""
        if self.moves():
            self.target = self.setpoint + (-self._braking() if self._now < 0 else self._braking())
            self._node.speaker.role_changed()

    def lost(self) -> None:
        """No power: it stands where it is, and nobody knows where that is [FLT-06]."""
        self._node.board.axis_off(self._number)
        self._now = self._rest = 0
        self.target = self.setpoint
        self._homing = ""
        self.homed = self._is_on = False
        self._node.speaker.role_changed()

    def step(self) -> None:
        """One step of motion."""
        left = self.target - self.setpoint
        way = -1 if left < 0 else 1
        away = self._now != 0 and (left < 0) != (self._now < 0)
        wanted = way * self._limit
        if left == 0 or away:
            wanted = 0
        elif self._braking() >= abs(left):
            wanted = way * self._change  # slow, and not to rest: it has to arrive
        self._now += max(-self._change, min(self._change, wanted - self._now))
        hundredths = self._now + self._rest
        by = _quotient(hundredths, STEPS)
        self._rest = hundredths - by * STEPS
        arrives = by <= left if left < 0 else by >= left
        if abs(self._now) <= 2 * self._change and not away and (left == 0 or arrives):
            self.setpoint = self.target
            self._now = self._rest = 0
            self._node.speaker.role_changed()
        else:
            self.setpoint += by

    def follow(self) -> None:
        """See where the axis is."""
        if self._is_on and self._node.power:
            self.at = self._node.board.axis(self._number, self.setpoint - self._origin) + self._origin

    # ------------------------------------------------------------ homing

    def _span(self) -> int:
        return self.most // 2 - self.least // 2 + 1

    def seek(self) -> None:
        """Look for the home switch, a little more than the whole axis: the count means nothing yet."""
        self.homed = False
        self._homing = "to"
        self._origin -= self.setpoint
        self.at = self.setpoint = 0
        self.move(-(2 * self._span() + self._span() // 4), 4)

    def _found(self) -> None:
        """The switch is at home: from now on the count means something [CRN-11]."""
        shift = self.home - self.setpoint
        self.setpoint += shift
        self._origin += shift
        self.homed = True
        self._homing = "back"
        self.move(self.setpoint, 4)

    def _missed(self) -> None:
        self._node.faults.halt("home-missed", self.name)

    def is_home(self, closed: bool) -> bool:
        """Whether it stands at home; a halt where the switch cannot be found. `closed`: the switch is.

        On the bench the tester closes the switch, which says nothing of where the axis is: there it need not come off
        it again [BEN-02], but has to have moved, for it may still be closed from the homing before.
        """
        if self._homing == "to":
            if self._node.bench:
                if closed and self.setpoint <= -(self._span() // 8):
                    self._found()
            elif closed:
                self._homing = "off"
                self.move(self.setpoint + self._span() // 2, 16)
            elif not self.moves():
                self._missed()
            return False
        if self._homing == "off":
            if not closed:
                self._found()
            elif not self.moves():
                self._missed()
            return False
        return self.homed and not self.moves()
