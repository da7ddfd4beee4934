"""Where a train came to rest, as far as its passage over two sensors tells. Formulas of constant acceleration:

    v = run / (time from arming to end + settling)
    window = v t - a (t - c)^2 / 2,  so  a = 2 (v t - window) / (t - c)^2
    reading = v c + v^2 / (2 a)

with t the time that the end sensor was closed and c the time from its closing to the cut of the power. Ways in 0.1 mm,
times in ms. A train that rests with the sensor closed has shown no deceleration: then the usual one is taken, and the
way is the window at most.
"""

SETTLE_MS = 45  # what the faster start of the way saves in time
PAUSE = 120  # how much further a train comes through a hold than its time under power says
USUAL, LEAST, MOST = (
    800,
    200,
    4000,
)  # decelerations in 0.1 mm/s^2: the usual one, and the limits of what is believed


class Passage:
    """What was seen of one arrival; `pauses` are the holds in it."""

    def __init__(self) -> None:
        self.arm_to_end_ms = self.end_to_cut_ms = self.closed_ms = 0
        self.pauses = 0
        self.opened = False


def _deceleration(passage: Passage, speed: int, window: int) -> int:
    if not passage.opened or passage.closed_ms <= passage.end_to_cut_ms:
        return USUAL
    braked_ms = passage.closed_ms - passage.end_to_cut_ms
    lost = max(0, speed * passage.closed_ms - window * 1000)
    return min(max(2000 * lost // (braked_ms * braked_ms), LEAST), MOST)


def rest_reading(passage: Passage, run: int, window: int) -> int:
    """The way from where the end sensor closed to rest, in 0.1 mm, 0 to 32767."""
    speed = max(1, run - passage.pauses * PAUSE) * 1000 // (passage.arm_to_end_ms + SETTLE_MS)
    twice = 2 * _deceleration(passage, speed, window)
    way = speed * passage.end_to_cut_ms // 1000 + (speed * speed + twice // 2) // twice
    if not passage.opened:
        way = min(way, window)
    return min(way, 32767)
