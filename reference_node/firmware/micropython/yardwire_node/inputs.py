"""Sensor lines: from pins in service, from a tester on the bench, and debounced alike."""

PLAYED_MOST = 20  # inputs of a tester that wait: two stimuli of ten


class Inputs:
    """The lines of a role by their sensors, in the order of the bits of `inputs` [MSG-14].

    `hidden` are lines behind them that no bit is for, such as the switch by which a crane is taken by hand.
    """

    def __init__(self, node, sensors: tuple, debounce_ms: int, hidden: tuple = ()) -> None:
        self._node = node
        self._shown = len(sensors)
        self.sensors = sensors + hidden
        self._debounce_ms = debounce_ms
        self.raw = [False] * len(self.sensors)
        self.level = [False] * len(self.sensors)
        self.since_ms = [node.now_ms] * len(self.sensors)
        self.changed: list = []
        self._played: list = []

    def begin(self, seen: dict) -> None:
        """How the pins stand at the start."""
        self.raw = [bool(seen.get(sensor)) for sensor in self.sensors]
        self.level = list(self.raw)

    def bits(self) -> int:
        """How the sensors stand, debounced, one bit each."""
        return sum([1 << line for line in range(self._shown) if self.level[line]])

    def is_closed(self, sensor: str) -> bool:
        """Whether the sensor is believed to be closed."""
        return self.level[self.sensors.index(sensor)]

    def was_seen_closed(self, sensor: str) -> bool:
        """The same without debounce."""
        return self.raw[self.sensors.index(sensor)]

    def is_unsettled(self, sensor: str) -> bool:
        """Whether the sensor has changed and is not believed yet."""
        line = self.sensors.index(sensor)
        return self.level[line] != self.raw[line]

    def since(self, sensor: str) -> int:
        """When it changed last, in ms."""
        return self.since_ms[self.sensors.index(sensor)]

    def took(self, sensor: str) -> bool:
        """Take the change of a sensor, where it has one."""
        if sensor in self.changed:
            self.changed.remove(sensor)
            return True
        return False

    def feel(self, at_ms: int, sensor: str, closed: bool) -> None:
        """A sensor came to a level at `at_ms`; one that says what it said before is nothing new."""
        if sensor not in self.sensors:
            return
        line = self.sensors.index(sensor)
        if self.raw[line] != closed:
            self.raw[line] = closed
            self.since_ms[line] = at_ms
            self._node.speaker.role_changed()

    def settle(self, now_ms: int) -> None:
        """Believe a level once it has stood still for the debounce time [BER-08]."""
        for line, sensor in enumerate(self.sensors):
            if self.level[line] != self.raw[line] and now_ms - self.since_ms[line] >= self._debounce_ms:
                self.level[line] = self.raw[line]
                if sensor not in self.changed:
                    self.changed.append(sensor)
                self._node.speaker.role_changed()

    def play(self, inputs: list) -> None:
        """Inputs of a tester, each for so long after the one before [BEN-02]; what there is no room for is left out."""
        at_ms = self._node.now_ms
        for sensor, closed, wait_ms in inputs:
            at_ms += wait_ms
            if len(self._played) < PLAYED_MOST:
                place = len([1 for played in self._played if played[0] <= at_ms])
                self._played.insert(place, (at_ms, sensor, closed))

    def due(self, now_ms: int) -> list:
        """The inputs of a tester that are due by then, as the edges of a board."""
        count = len([1 for played in self._played if played[0] <= now_ms])
        found, self._played = self._played[:count], self._played[count:]
        return found

    def is_waiting(self) -> bool:
        """Whether something will change by itself: an input that waits, or one that is not believed yet."""
        return bool(self._played) or self.level != self.raw
