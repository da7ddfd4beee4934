"""A shuttle in MicroPython: drives between up to four stops, each with a reed switch.

CAUTION
- A message is no emergency stop. Fit a switch within reach that removes motor power from the shuttle, and from every
  other machine that can hurt, without this board's help. Press it once before you begin, while something moves.
- The motor has a supply of its own, fused close to the supply. Only its ground meets that of this board.
- Hands out of the machine while motor power is on: a shuttle pinches at both ends of its way. Fit buffers there.
- Leave mains wiring to a licensed person, and follow your local codes.
- The pins of this board stand 3.3 V and no more.

CONNECT
  GP2   stop 1, a reed switch to ground; the first stop of the site file
  GP3   stop 2, and so on: GP8 and GP9 for stops 3 and 4
  GP4   motor power: low while it is there (an optocoupler across the motor's supply, never the supply itself)
  GP5   PWM to the motor driver; 10 kilo-ohm from here to ground, so that the motor is off while the board starts
  GP6   direction to the motor driver: high towards the last stop
  GP7   bench: a jumper to ground for `yardwire conform`, none in service
  GP10  load sensor of the deck, a switch to ground, where the site file has one
"""

from pin_board import PinBoard, output, pwm, serve
from yw_site import SITE

WHERE = {"wifi": "NAME", "password": "PASSWORD", "broker": "192.0.2.10"}  # or {"uart": 0, "baud": 115200}
STOPS = (2, 3, 8, 9)
FULL = 65535


class ShuttleBoard(PinBoard):
    """A sensor a stop, motor power and one motor that goes both ways."""

    def __init__(self) -> None:
        self._motor, self._forth = pwm(5), output(6)
        sensors = {"motor-power": 4}
        for number in range(len(SITE["shuttle"]["stops"])):
            sensors["stop-" + str(number + 1)] = STOPS[number]
        if SITE["shuttle"]["load_sensor"]:
            sensors["load"] = 10
        super().__init__(sensors)

    def motor(self, percent: int) -> None:
        self._motor.duty_u16(0)
        self._forth.value(1 if percent > 0 else 0)
        self._motor.duty_u16(abs(percent) * FULL // 100)

    def off(self) -> None:
        self._motor.duty_u16(0)


serve(SITE, ShuttleBoard(), 7, WHERE)
