"""What only a person can tell."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple


class Ask(StrEnum):
    """What a question is about."""

    TRACK = "track"
    """A lost track: answered without words once the track has been found empty."""
    SHUTTLE = "shuttle"
    """A lost shuttle: answered with the place where it stands."""
    SPREADER = "spreader"
    """What hangs in a spreader: a box's label, or '' for nothing."""
    SLOTS = "slots"
    """What stands in the slots of a place: one word a slot, slot 0 first."""
    FAULT = "fault"
    """A fault that stops the node: answered without words once it is fixed."""
    HELD = "held"
    """Somebody else's hold: answered without words when work may go on."""
    GAP = "gap"
    """The bus was away: answered without words when what was open may go on."""


LETS_GO_ON = frozenset({Ask.HELD, Ask.GAP})
"""Questions whose answer lets machines go on that somebody or something has stopped."""


class QuestionKey(NamedTuple):
    """What one question is about."""

    about: Ask
    node: str
    place: str = ""

    @property
    def sends_a_person(self) -> bool:
        """Whether somebody has to go to a machine for the answer."""
        return self.about not in LETS_GO_ON

    @property
    def where(self) -> str:
        """The place or node that it is about, '' for the bus."""
        return self.place or self.node


CAUTION = "Remove motor power first; a hold is no protection."
"""What is said before anybody is sent to a machine."""
TURN_BACK = "Withdrawn: do not go there; remove motor power before you reach in."
"""What is said to whoever may be on the way to a machine, or at it."""
NO_ANSWER = "Withdrawn: do not answer."
"""The same where nobody was sent anywhere."""


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """A question that nobody may answer any more, and why."""

    question: Question
    why: str
    at_ms: int
    """When, by the supervisor's clock."""

    @property
    def caution(self) -> str:
        """What whoever went for the answer has to know first."""
        return TURN_BACK if self.question.key.sends_a_person else NO_ANSWER


def _nobody(_question: Question, _found: tuple[str, ...]) -> None:
    """A question whose answer nobody waits for."""


@dataclass(eq=False, slots=True)
class Question:
    """One question, open until it is answered or withdrawn; `node` or `place` is what it is about."""

    about: Ask
    node: str
    place: str
    asks: str
    """What is asked, without the caution."""
    choices: tuple[str, ...] = ()
    boots: Mapping[str, int | None] = field(default_factory=dict, repr=False)
    """Boot of each node that reaches there, as it was asked [SUP-24]."""
    _take: Callable[[Question, tuple[str, ...]], None] = field(default=_nobody, repr=False)
    """What becomes of an answer."""
    found: tuple[str, ...] | None = None

    @property
    def key(self) -> QuestionKey:
        """What it is about: a later question with the same key is this one, asked again."""
        return QuestionKey(self.about, self.node, self.place)

    @property
    def text(self) -> str:
        """What a person is told: who goes to a machine is told first what protects a hand and what does not."""
        return f"{CAUTION} {self.asks}" if self.key.sends_a_person else self.asks

    @property
    def is_open(self) -> bool:
        """Whether nobody has answered yet."""
        return self.found is None

    def answer(self, *found: str) -> None:
        """Say what was found. Raises ValueError for an answer that does not fit; the question stays open."""
        if self.found is not None:
            raise ValueError(f"already answered with {self.found}: {self.text}")
        self._take(self, found)
        self.found = found
