"""What stands behind the buttons of the live page: a person's hand at the supervisor."""

from __future__ import annotations

from conformance.page.desk import Question
from reference_node.supervisor.by_hand import ByHand


class PageDesk:
    """The desk that the page asks for; every call is made on the thread that owns the supervisor."""

    def __init__(self, hand: ByHand) -> None:
        self._hand = hand
        self.order, self.hold, self.resume = hand.order, hand.hold, hand.resume
        self.tell, self.answer, self.events = hand.tell, hand.answer, hand.events

    def questions(self) -> list[Question]:
        """What only a person can answer now."""
        return [Question(one.number, one.text, one.choices) for one in self._hand.questions()]
