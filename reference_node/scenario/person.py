"""A simulated person: walks to where a question is about, looks, and says what is there."""

from __future__ import annotations

from reference_node.scenario.scenario import Answer, Scenario
from reference_node.scenario.simulated_yard import SimulatedYard
from reference_node.supervisor.questions.question import Ask, Question


class SimulatedPerson:
    """Answers truly, but for what the scenario has it say instead."""

    def __init__(self, scenario: Scenario, yard: SimulatedYard) -> None:
        self._scenario, self._yard = scenario, yard
        self._instead = list(scenario.answers)

    def settle(self, question: Question) -> None:
        """Look and answer. Raises ValueError for an answer that does not fit now; the question stays open."""
        answer = self._scripted(question)
        if answer is not None:
            self._yard.meddled = True
            question.answer(*answer.say)
            self._instead.remove(answer)
            return
        question.answer(*self._look(question))

    def _scripted(self, question: Question) -> Answer | None:
        wheres = (question.node, question.place)
        return next(
            (one for one in self._instead if one.about == question.about and one.where in wheres), None
        )

    def _look(self, question: Question) -> tuple[str, ...]:
        yard = self._yard
        match question.about:
            case Ask.SHUTTLE:
                return (yard.push_to_stop(question.node),)
            case Ask.SLOTS:
                return yard.really(question.place)
            case Ask.SPREADER:
                yard.fix(question.node)
                return (yard.holds(question.node),)
            case Ask.TRACK:
                yard.take_off(question.node, swap_locomotive=self._scenario.person.swaps_locomotive)
            case Ask.FAULT:
                yard.fix(question.node)
        return ()
