"""Chance and uptime, as the exploration deals them.

A token is compared with other tokens for being the same and for nothing else. So the least is dealt that is nowhere
about (`about`): not on its way, not kept by a node, not known to who draws. The random part of a claim
is the same each time: two supervisors get other parts or the same, as the budget says.

The uptime of a node goes on by two with every step that changes its state. What it says without any change (that it is
as it was, that an order is refused) is newer than the last change and older than the next one. What is compared is
whether one word is older than another and whether a deadline has passed; a longer time is a disturbance (`expiry`).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

from protocol.counting import UPTIME_MODULUS
from reference_node.controller.controller import Controller
from reference_node.envelope import Uptime
from reference_node.snapshot.canonical import Plan
from reference_node.snapshot.how import KEEP, SHARED, Dropped

CHANGE, WITHOUT_CHANGE = 2, 1
"""By how much the uptime of what is said in a step is above that of the node before it."""
LIFE = 100
"""Tokens of different lives are this far apart."""


class Dealt(Exception):
    """A token is asked for where nobody has said which are about."""


class Chance:
    """In the place of chance; no state of its own: what it deals follows from what is about."""

    def __init__(self, part: int, life: int = 0) -> None:
        """`part` is that of every claim; of two lives none is dealt the same tokens."""
        self.part, self.life = part, life
        self.about: set[int] | None = None
        self.lend: Callable[[], set[int]] | None = None
        """Asked for those that are about when the first token of a step is drawn."""

    def getrandbits(self, k: int) -> int:
        if k != 32:
            return self.part
        if self.about is None:
            if self.lend is None:
                raise Dealt
            self.about = self.lend()
        token = next(one for one in count(self.life * LIFE + 1) if one not in self.about)
        self.about.add(token)
        return token


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
            "about": Dropped("lent for a step", lambda: None),
            "lend": Dropped("lent for a step", lambda: None),
        }
    ),
    StepUptime: Plan({"count": SHARED, "_zero_ms": SHARED}),
    ModelController: Plan({}),
}
