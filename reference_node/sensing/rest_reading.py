"""Where a train came to rest, as far as its passage over two sensors tells.

Formulas, all of constant acceleration, in any physics textbook. R is the known way from arming to end, T the
time it took, W the known way during which the end sensor stays closed, t the time it did, c the time from its
closing to the cut of the power:

    v = R / (T + settling)         creep speed; `settling` is what the faster start of the way saves in time
    W = v t - a (t - c)^2 / 2      so a = 2 (v t - W) / (t - c)^2, the deceleration once the power is off
    reading = v c + v^2 / (2 a)    the way from where the end sensor closed to rest

A train that rests with the sensor still closed has shown no deceleration: then a is the usual one, and the
way is W at most. The reading grows with the place where the train stands, but is not that place: drag,
bounce and the reach of the magnets are left to the table that is measured for the crane.
"""

from __future__ import annotations

from dataclasses import dataclass

READING_LIMIT = 32767
"""A rest reading is a 16-bit signed integer; one as high as this lies outside any table."""

UM_PER_READING = 100
"""The unit of the rest reading: a tenth of a millimetre."""


@dataclass(frozen=True, slots=True)
class Passage:
    """What the sensors told, in us: arming to end, end to the cut of the power, how long the end was closed.

    `closed_us` is None for a train that rests with the sensor closed. `pauses` counts holds on the way to it.
    """

    arm_to_end_us: int
    end_to_cut_us: int
    closed_us: int | None
    pauses: int = 0


@dataclass(frozen=True, slots=True)
class PassageGeometry:
    """What the installer of a berth measures once, for all locomotives; ways in um.

    `run` is how far a train goes from the closing of the arming sensor to that of the end sensor, `window`
    how far while the end sensor is closed, `pause` how much further through a hold than its time under power
    says. `deceleration` is the usual one and the limits of what is believed.
    """

    run_um: int = 160_000
    window_um: int = 14_000
    pause_um: int = 12_000
    settling_us: int = 45_000
    deceleration_um_s2: int = 80_000
    least_deceleration_um_s2: int = 20_000
    most_deceleration_um_s2: int = 400_000

    def __post_init__(self) -> None:
        if min(self.run_um, self.window_um) <= 0 or min(self.pause_um, self.settling_us) < 0:
            raise ValueError("run and window must be positive, pause and settling not negative")
        if not 0 < self.least_deceleration_um_s2 <= self.deceleration_um_s2 <= self.most_deceleration_um_s2:
            raise ValueError(
                "decelerations must be positive, and the usual one between the least and the most"
            )


def rest_reading(passage: Passage, geometry: PassageGeometry) -> int:
    """The way from where the end sensor closed to rest, in 0.1 mm, 0 to 32767; integers throughout."""
    took_us = max(passage.arm_to_end_us + geometry.settling_us, 1)
    driven_um = max(geometry.run_um - passage.pauses * geometry.pause_um, 1)
    speed = driven_um * 1_000_000 // took_us
    rolled_um = speed * passage.end_to_cut_us // 1_000_000
    rolled_um += speed * speed // (2 * _deceleration(passage, geometry, speed))
    if passage.closed_us is None:
        rolled_um = min(rolled_um, geometry.window_um)
    return min((rolled_um + UM_PER_READING // 2) // UM_PER_READING, READING_LIMIT)


def _deceleration(passage: Passage, geometry: PassageGeometry, speed: int) -> int:
    """In um/s^2; the usual one where the sensor did not open, or opened before the power was off."""
    if passage.closed_us is None or passage.closed_us <= passage.end_to_cut_us:
        return geometry.deceleration_um_s2
    lost_um = speed * passage.closed_us // 1_000_000 - geometry.window_um
    braked_us = passage.closed_us - passage.end_to_cut_us
    found = 2 * lost_um * 1_000_000_000_000 // (braked_us * braked_us)
    return min(max(found, geometry.least_deceleration_um_s2), geometry.most_deceleration_um_s2)
