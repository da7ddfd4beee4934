"""A berth in MicroPython: brings a train to rest over two reed switches, and lets it go.

CAUTION
- A message is no emergency stop. Fit a switch within reach that removes motor power from the track, and from every
  other machine that can hurt, without this board's help. Press it once before you begin, while something moves.
- The track has a supply of its own, fused close to the supply. Only its ground meets that of this board.
- Hands out of the machine while motor power is on, also when nothing has moved for an hour.
- Leave mains wiring to a licensed person, and follow your local codes.
- The pins of this board stand 3.3 V and no more.

CONNECT
  GP2   arming sensor, a reed switch to ground
  GP3   end sensor, a reed switch to ground
  GP4   motor power: low while it is there (an optocoupler across the track's supply, never the supply itself)
  GP5   PWM to the motor driver; 10 kilo-ohm from here to ground, so that the motor is off while the board starts
  GP7   bench: a jumper to ground for `yardwire conform`, none in service
"""

from pin_board import PinBoard, pwm, serve
from yw_site import SITE

WHERE = {"wifi": "NAME", "password": "PASSWORD", "broker": "192.0.2.10"}  # or {"uart": 0, "baud": 115200}
FULL = 65535


class BerthBoard(PinBoard):
    """Two sensors, motor power and one motor."""

    def __init__(self) -> None:
        self._motor = pwm(5)
        super().__init__({"arming": 2, "end": 3, "motor-power": 4})

    def motor(self, percent: int) -> None:
        self._motor.duty_u16(percent * FULL // 100)

    def off(self) -> None:
        self._motor.duty_u16(0)


serve(SITE, BerthBoard(), 7, WHERE)
