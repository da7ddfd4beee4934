"""What a board has to give. Derive a class of your own, and take what moves something from the role's part."""


class Board:
    """Clock, sensors, motors and the cells of one board. None of these may wait for anything.

    CAUTION. Give motors a supply of their own, and fit a switch that removes it without this board's help.
    """

    def __init__(self) -> None:
        self._seen: dict = {}

    def clock_ms(self) -> int:
        """Milliseconds since the start; it never wraps."""
        raise NotImplementedError

    def inputs(self) -> dict:
        """How the sensors stand in service, by their words, bounce and all; `motor-power` and `by-hand` too."""
        raise NotImplementedError

    def edges(self) -> list:
        """What has changed at the sensors since the last call, oldest first: when in ms, which, and whether it closed.

        This one looks at `inputs`, so that a time is as exact as the main loop is quick. A board on which interrupts
        note the times of its sensors gives those.
        """
        found = []
        seen = self.inputs()
        for sensor in seen:
            if seen[sensor] != self._seen.get(sensor):
                self._seen[sensor] = seen[sensor]
                found.append((self.clock_ms(), sensor, bool(seen[sensor])))
        return found

    def axis(self, axis: int, setpoint: int) -> int:
        """Crane: send an axis to a setpoint, in the axis's own unit and the board's own count, which begins at 0.

        Gives where the axis is. The setpoint moves on by the speed and acceleration of the site file.
        """
        raise NotImplementedError

    def axis_off(self, axis: int) -> None:
        """Crane: no current, at the start and after a loss of power."""
        raise NotImplementedError

    def spreader(self, closed: bool) -> None:
        """Crane: close or open the spreader; it may take as long as the site file allows."""
        raise NotImplementedError

    def spreader_off(self) -> None:
        """Crane: the fingers stand."""
        raise NotImplementedError

    def motor(self, percent: int) -> None:
        """Berth: duty of the track, 0 to 100. Shuttle: -100 to 100, plus towards the last stop. 0 is off at once."""
        raise NotImplementedError

    def off(self) -> None:
        """Everything that moves something off, at the start and when the program fails [SAF-02]."""
        raise NotImplementedError

    def feed(self) -> None:
        """Feed the watchdog; called with every round of the main loop and from nowhere else [SAF-03]."""

    def memory(self) -> int | None:
        """Free memory in bytes, or None where the board cannot tell [MSG-13]."""
        return None

    def read_record(self, record: int) -> bytes:
        """What was written last under 0 or 1, or whatever an erased chip holds."""
        raise NotImplementedError

    def write_record(self, record: int, content: bytes) -> None:
        """Keep it through a loss of power, without touching the other one."""
        raise NotImplementedError

    def entropy(self) -> int:
        """16 bits that nobody can foresee."""
        raise NotImplementedError
