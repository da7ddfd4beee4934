"""A crane in MicroPython: up to three axes with stepper drivers and home switches, and a spreader on a servo.

CAUTION
- A message is no emergency stop. Fit a switch within reach that removes motor power from every axis, and from every
  other machine that can hurt, without this board's help. Press it once before you begin, while something moves.
- Each motor and the servo has a supply of its own, fused close to the supply. Only its ground meets that of this board.
- A hoist may drop its load when its motor has no power: use a drive that holds by itself, and keep out from below.
- Hands out of the machine while motor power is on: a geared motor does not notice a finger. Fit end stops.
- Leave mains wiring to a licensed person, and follow your local codes.
- The pins of this board stand 3.3 V and no more; see what your drivers take for high.

CONNECT
  GP2 GP3       step and direction of the first axis; GP8 GP9 of the second; GP10 GP11 of the hoist
  GP12          enable of all stepper drivers, low for on; 10 kilo-ohm from here to 3.3 V, so that they are off while
                the board starts
  GP13          servo of the spreader
  GP14 GP15 GP16  home switches of the three axes, to ground
  GP17          load sensor of the spreader, a switch to ground, where the site file has one
  GP4           motor power: low while it is there (an optocoupler across the motors' supply, never the supply itself)
  GP7           bench: a jumper to ground for `yardwire conform`, none in service
  GP18          by hand: a switch to ground with which somebody takes the crane

SET the steps to one unit of the site file for each axis, and the two positions of the servo.
"""

import machine
from pin_board import PinBoard, output, serve
from yw_site import SITE

WHERE = {"wifi": "NAME", "password": "PASSWORD", "broker": "192.0.2.10"}  # or {"uart": 0, "baud": 115200}
STEPPERS, HOMES, ENABLE, SERVO = ((2, 3), (8, 9), (10, 11)), (14, 15, 16), 12, 13
STEPS_PER_UNIT = (5, 5, 5)
STEPS_AT_ONCE = 8  # in one round of the loop: it never blocks for longer
OPEN_US, CLOSED_US = 1000, 1900  # pulses of the servo
SERVO_HZ = 50


class CraneBoard(PinBoard):
    """Axes, spreader, sensors and motor power."""

    def __init__(self) -> None:
        self._enable = machine.Pin(ENABLE, machine.Pin.OUT, value=1)
        self._servo = machine.PWM(output(SERVO), freq=SERVO_HZ, duty_u16=0)
        axes = range(len(SITE["crane"]["axes"]))
        self._steppers = [(output(STEPPERS[axis][0]), output(STEPPERS[axis][1])) for axis in axes]
        self._stands = [0 for _ in axes]  # in steps, counted from the start
        sensors = {"motor-power": 4, "by-hand": 18}
        for axis in axes:
            sensors[("home-x", "home-y", "home-z")[axis]] = HOMES[axis]
        if SITE["crane"]["load_sensor"]:
            sensors["load"] = 17
        super().__init__(sensors)

    def axis(self, axis: int, setpoint: int) -> int:
        step, direction = self._steppers[axis]
        left = setpoint * STEPS_PER_UNIT[axis] - self._stands[axis]
        way = 1 if left > 0 else -1
        if left:
            self._enable.value(0)
            direction.value(left > 0)
        for _ in range(min(abs(left), STEPS_AT_ONCE)):
            step.value(1)
            step.value(0)
            self._stands[axis] += way
        return self._stands[axis] // STEPS_PER_UNIT[axis]

    def axis_off(self, axis: int) -> None:
        self._enable.value(1)

    def spreader(self, closed: bool) -> None:
        self._servo.duty_ns(1000 * (CLOSED_US if closed else OPEN_US))

    def spreader_off(self) -> None:
        self._servo.duty_u16(0)  # no pulses, no motion

    def off(self) -> None:
        self._enable.value(1)
        self._servo.duty_u16(0)


serve(SITE, CraneBoard(), 7, WHERE)
