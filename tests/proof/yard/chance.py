"""Chance and uptime, as the exploration deals them.

A token is compared with other tokens for being the same and for nothing else; of the eight that are dealt in turn
there is never more than a few about, and one that may still come late is left out (`avoid`). The random part of a claim
is the same each time: two supervisors get other parts or the same, as the budget says.

The uptime of a node goes on by one with every step that changes its state. What is compared is whether one word is
older than another and whether a deadline has passed; time that passes without any change is a disturbance (`expiry`).
"""

from __future__ import annotations

from random import Random

from protocol.counting import UPTIME_MODULUS
from reference_node.controller.controller import Controller
from reference_node.envelope import Uptime
from reference_node.snapshot.canonical import Plan
from reference_node.snapshot.how import KEEP, SHARED, Dropped

TOKENS = 8
LIFE = 100
"""Tokens of different lives are this far apart."""


class Chance(Random):
    """In the place of chance: what it deals is part of the state."""

    def __init__(self, part: int, life: int = 0) -> None:
        """`part` is that of every claim; of two lives none is dealt the same tokens."""
        super().__init__(0)
        self.part, self.life, self.token, self.avoid = part, life, 0, 0

    def getrandbits(self, k: int) -> int:
        if k != 32:
            return self.part
        self.token = self.token % TOKENS + 1
        if self.life * LIFE + self.token == self.avoid:
            self.token = self.token % TOKENS + 1
        return self.life * LIFE + self.token

    def __reduce__(self) -> tuple[object, ...]:
        return _chance, (self.part, self.life, self.token)

    def __getstate__(self) -> tuple[object, ...]:
        return self.part, self.life, self.token


def _chance(part: int, life: int, token: int) -> Chance:
    chance = Chance(part, life)
    chance.token = token
    return chance


class StepUptime(Uptime):
    """Counts the changes of its node."""

    def __init__(self, started_ms: int) -> None:
        super().__init__(started_ms)
        self.count = 0

    def at(self, now_ms: int) -> int:
        return self.count % UPTIME_MODULUS


class ModelController(Controller):
    """The shipped controller with the clock of the exploration."""

    uptime_class = StepUptime


CHANCE_PLANS = {
    Chance: Plan(
        {
            "part": KEEP,
            "life": KEEP,
            "token": KEEP,
            "avoid": Dropped("lent for a step", int),
            "gauss_next": SHARED,
        }
    ),
    StepUptime: Plan({"count": SHARED, "_zero_ms": SHARED}),
    ModelController: Plan({}),
}
