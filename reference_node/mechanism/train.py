"""A train: what it weighs, how its motor pulls, how it rolls out, and where its magnets are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from reference_node.mechanism.glide import Glide

Kind = Literal["arming", "motor", "coupling", "end"]


@dataclass(frozen=True, slots=True)
class Magnet:
    """A magnet `behind` mm behind the front; `strength` scales the reach of a reed, 1 being usual.

    A magnet lying parallel to the track has up to three `lobes`, one standing across it has one.
    """

    kind: Kind
    behind: float
    strength: float = 1.0
    lobes: Literal[1, 3] = 1


@dataclass(frozen=True, slots=True)
class Locomotive:
    """What moves a train. Forces in mN, speeds in mm/s, so that mN over g gives m/s^2.

    `pull` is the force at standstill and full power, `damping` what is lost of it a mm/s (the motor's back
    EMF), `friction` what must be overcome at any speed, `rolling` the drag a mm/s with the motor off.
    `motor_magnet` is how strongly the motor's own magnet works on a reed, 0 for not at all; `noise` is how
    many stray pulses a second the running motor puts on the sensor lines.
    """

    pull: float
    damping: float
    friction: float
    rolling: float = 0.02
    length: float = 170.0
    motor_magnet: float = 0.0
    noise: float = 0.0

    def __post_init__(self) -> None:
        if min(self.damping, self.friction, self.rolling, self.length) <= 0 or self.pull <= self.friction:
            raise ValueError("damping, friction, rolling and length must be positive, pull above friction")


@dataclass(frozen=True, slots=True)
class Consist:
    """A locomotive in front, wagons behind it, all together `mass` g heavy; lengths in mm.

    The magnets (common practice, no published source): one under the front of the locomotive that arms the
    berth, two at every coupling, `gap` apart and lying parallel, one across the end of the last wagon.
    """

    locomotive: Locomotive
    wagons: Sequence[float]
    mass: float
    coupling_lobes: Literal[1, 3] = 3
    gap: float = 24.0
    arming_behind: float = 20.0
    end_ahead: float = 10.0

    @property
    def length(self) -> float:
        """Front to end, in mm."""
        return self.locomotive.length + sum(self.wagons)

    @property
    def magnets(self) -> tuple[Magnet, ...]:
        """Front to end."""
        found = [Magnet("arming", self.arming_behind)]
        if self.locomotive.motor_magnet:
            found.append(Magnet("motor", self.locomotive.length / 2, self.locomotive.motor_magnet))
        coupled = self.locomotive.length
        for wagon in self.wagons:
            sides = (coupled - self.gap / 2, coupled + self.gap / 2)
            found.extend(Magnet("coupling", side, lobes=self.coupling_lobes) for side in sides)
            coupled += wagon
        return (*found, Magnet("end", self.length - self.end_ahead))


class Train:
    """A consist on a straight track, on virtual time in us; `front` and `end` are the truth, in mm."""

    def __init__(self, consist: Consist, front: float, now_us: int = 0) -> None:
        self.consist = consist
        self._since_us, self._origin = now_us, front
        self._way, self._power = 1, 0
        self._glide = self._driven(0.0)

    @property
    def power(self) -> int:
        """The motor's duty in percent, negative for backwards."""
        return self._power

    @property
    def way(self) -> int:
        """The direction of travel: 1 forwards, -1 backwards."""
        return self._way

    @property
    def rests_us(self) -> int | None:
        """From when on the train stands if nothing else is commanded; None when it drives on for ever."""
        if self._power and self._turns:
            return None
        return self._after(self._glide.lasts) if self._glide.push < 0 else None

    def front_at(self, now_us: int) -> float:
        """Where the front of the train is, in mm along the track."""
        return self._origin + self._way * self._glide.way_at(self._seconds(now_us))

    def end_at(self, now_us: int) -> float:
        """Where the end of the last wagon is, in mm along the track."""
        return self.front_at(now_us) - self.consist.length

    def speed_at(self, now_us: int) -> float:
        """How fast the train is, signed, in mm/s."""
        return self._way * self._glide.speed_at(self._seconds(now_us))

    def time_at(self, front: float) -> int | None:
        """When the front comes to `front` in this glide, in us rounded up; None when it does not."""
        ahead = self._way * (front - self._origin)
        if ahead < 0 or ahead > self._glide.reach or (self._glide.speed == 0 and self._glide.push < 0):
            return None
        return self._after(self._glide.time_at(ahead))

    @property
    def turns_us(self) -> int | None:
        """When a train driven against its motion stands and sets off the other way; None otherwise."""
        return self._after(self._glide.lasts) if self._turns else None

    def drive(self, power: int, now_us: int) -> None:
        """From now on apply `power`, -100 to 100 percent, else ValueError."""
        if not -100 <= power <= 100:
            raise ValueError(f"power is -100 to 100 percent, not {power}")
        front, speed = self.front_at(now_us), abs(self.speed_at(now_us))
        self._since_us, self._origin, self._power = now_us, front, power
        if speed == 0 and power:
            self._way = 1 if power > 0 else -1
        self._glide = self._driven(speed)

    @property
    def _turns(self) -> bool:
        return self._power * self._way < 0

    def _driven(self, speed: float) -> Glide:
        """The equation of motion: m dv/dt = pull * duty - friction - damping * v (rolling * v, motor off)."""
        loco, mass = self.consist.locomotive, self.consist.mass
        force = loco.pull * self._power * self._way / 100 - loco.friction
        drag = loco.damping if self._power else loco.rolling
        return Glide(speed, 1000 * force / mass, 1000 * drag / mass)

    def _seconds(self, now_us: int) -> float:
        return (now_us - self._since_us) / 1_000_000

    def _after(self, seconds: float) -> int:
        return self._since_us + -int(-seconds * 1_000_000 // 1)
