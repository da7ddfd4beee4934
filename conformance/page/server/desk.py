"""What the page needs of whoever gives orders: a few plain calls, all made on the thread that owns it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, wait
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

T = TypeVar("T")


class Question(Protocol):
    """One open question to a person. Without choices the answer is free text."""

    @property
    def number(self) -> int:
        """Its name: never given to another question."""

    @property
    def text(self) -> str:
        """What is asked."""

    @property
    def where(self) -> str:
        """The place or node that it is about, '' for the bus."""

    @property
    def choices(self) -> tuple[str, ...]:
        """Answers to choose from, if it is not free text."""


class WithdrawnQuestion(Protocol):
    """A question that was asked and may not be answered any more: whoever went for the answer has to know."""

    @property
    def number(self) -> int:
        """Its name, as when it was open."""

    @property
    def text(self) -> str:
        """What was asked."""

    @property
    def where(self) -> str:
        """The place or node that it was about."""

    @property
    def why(self) -> str:
        """Why it is not asked any more."""

    @property
    def caution(self) -> str:
        """What to do now."""

    @property
    def for_ms(self) -> int:
        """How long ago it was withdrawn."""


class Goal(Protocol):
    """Something that is still to be met."""

    @property
    def number(self) -> int:
        """Its name: never given to another goal."""

    @property
    def text(self) -> str:
        """What is to be so."""

    @property
    def blocked(self) -> str:
        """What it waits for, '' where it is worked on or only waits for its turn."""


class Review(Protocol):
    """What would come of something that is asked for, by the checks that it goes through when it is."""

    @property
    def refused(self) -> str | None:
        """Why it would not be taken; None where it would."""

    @property
    def will(self) -> str:
        """What would happen."""

    @property
    def blocked(self) -> str:
        """Why it would have to wait, '' where nothing is in its way."""


class Held(Protocol):
    """One node that is held, or that is to be."""

    @property
    def node(self) -> str:
        """Its name."""

    @property
    def by(self) -> str:
        """Who asked for it, as far as anybody knows; else ''."""

    @property
    def says(self) -> str:
        """How far it has come, in words."""

    @property
    def late(self) -> bool:
        """Whether it has not reached the node, and a person has to know."""

    @property
    def may_resume(self) -> bool:
        """Whether a resume can be offered."""

    @property
    def for_ms(self) -> int:
        """How long ago it was asked for or first heard of."""


class Desk(Protocol):
    """Gives orders by the rules of the protocol.

    Every call that asks for something gives None if it is taken, else why it is not.
    """

    def order(self, node: str, act: str, **fields: Any) -> str | None:
        """Order one act; ids, boots, deadlines, counts and readings are the desk's own affair."""

    def hold(self, node: str) -> str | None:
        """Hold one node, or 'all'; a hold waits for the bus, and nothing else does."""

    def held(self) -> Sequence[Held]:
        """Every node that is held or is to be held."""

    def resume(self, *nodes: str) -> str | None:
        """Let these nodes, each by its name, go on after a hold."""

    def tell(self, place: str, slot: int, box: str | None) -> str | None:
        """A person says what stands in a slot; None for nothing."""

    def goals(self) -> Sequence[Goal]:
        """What is still to be met, in order."""

    def want(self, box: str, place: str, slot: int) -> str | None:
        """Plan for a box to stand somewhere."""

    def want_train(self, berth: str, train: str, takes: Sequence[tuple[int, str]]) -> str | None:
        """Plan for a train to come, to be loaded (slot and box) and to leave again."""

    def drop(self, number: int) -> str | None:
        """Give a goal up."""

    def reorder(self, number: int, position: int) -> str | None:
        """Put a goal at another position of the list, counted from 1."""

    def review(self, ask: str, *given: Any, **fields: Any) -> Review:
        """What would come of the call that is named so, without doing it."""

    def questions(self) -> Sequence[Question]:
        """What only a person can answer now."""

    def withdrawn(self) -> Sequence[WithdrawnQuestion]:
        """What was asked, may not be answered any more and was not asked again."""

    def answer(self, number: int, choice: str) -> str | None:
        """A person's answer to one question."""

    def events(self) -> list[str]:
        """What happened lately, oldest first, each in a sentence."""


@dataclass(frozen=True, slots=True)
class Call:
    """One call of a desk: it can be made, or looked at first."""

    name: str
    given: tuple[Any, ...]
    fields: dict[str, Any] = field(default_factory=dict)

    def do(self, desk: Desk) -> str | None:
        """Make it."""
        refused: str | None = getattr(desk, self.name)(*self.given, **self.fields)
        return refused

    def review(self, desk: Desk) -> Review:
        """What would come of it."""
        return desk.review(self.name, *self.given, **self.fields)


Owner = Callable[[Callable[[], None]], None]
"""Queues a piece of work for the thread that owns the desk, and returns at once or when it is done.

May raise RuntimeError or TimeoutError when that thread does not take work any more.
"""


class Unanswered(Exception):
    """The owner of the desk did not do a piece of work; it never will."""


def done_by(owner: Owner, work: Callable[[], T], wait_s: float) -> T:
    """Have a piece of work done on the owner's thread: done and answered, or given up, and never both.

    Raises what the work raised, or Unanswered when it was not begun in `wait_s`, or not ended in as long again.
    """
    answer: Future[T] = Future()

    def do() -> None:
        if not answer.set_running_or_notify_cancel():
            return
        try:
            answer.set_result(work())
        except Exception as error:  # noqa: BLE001 - it belongs to whoever waits
            answer.set_exception(error)

    try:
        owner(do)
    except (RuntimeError, TimeoutError) as error:
        # It may stand in a queue that goes on later: what is said not to be sent must not be.
        if answer.cancel():
            raise Unanswered(f"it was not sent: {str(error) or 'the desk does not answer'}") from error
    if not wait([answer], wait_s).done:
        if answer.cancel():
            raise Unanswered("it was not sent")
        if not wait([answer], wait_s).done:
            raise Unanswered("it is not known whether it was sent")
    return answer.result()
