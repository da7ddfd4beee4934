"""A reference supervisor that is started as a brief of the conformance cases says, with the person it needs."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from conformance.suite.brief import TRAIN, Brief, Contents
from protocol.site import Site
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.supervisor import Supervisor

PACE = Pace(give_up_ms=8_000)
"""Else a case would have to wait for a minute and a half until a job is given up."""


def briefed_supervisor(
    site: Site,
    name: str,
    brief: Brief,
    *,
    boot: int,
    rng: Random,
    started_ms: int,
    kind: type[Supervisor] = Supervisor,
) -> Supervisor:
    """A supervisor that was started by a person who follows the brief."""
    made = kind(
        site,
        name,
        boot=boot,
        rng=rng,
        started_ms=started_ms,
        goals=_goals(brief, site),
        contents=brief.contents,
        pace=PACE,
    )
    if brief.answers:
        made.open_questions.listen(_person(site, brief.contents))
    elif brief.again:
        made.open_questions.listen(_once_more(made, brief.contents))
    if brief.holds:
        for node in made.sessions:
            made.hold(node, "the brief")
    return made


def _goals(brief: Brief, site: Site) -> tuple[Goal, ...]:
    """The goal of a brief in the reference supervisor's words: it is planned for as everything else."""
    route = brief.route
    visit = Visit(TRAIN, route.berth, ("",) * site.places[route.track].slots, {0: route.box})
    return (GoalState(visits=(visit,)),) if brief.goal else ()


def _once_more(supervisor: Supervisor, contents: Contents) -> Callable[[Question], None]:
    """Says again what was told, once for each place, and only before the first transfer."""
    left = dict(contents)

    def answer(question: Question) -> None:
        moved = (
            any(sent.act == "transfer" for _, _, sent in supervisor.history) or supervisor.inventory.carriages
        )
        if question.about is Ask.SLOTS and question.place in left and not moved:
            question.answer(*left.pop(question.place))

    return answer


def _person(site: Site, contents: Contents) -> Callable[[Question], None]:
    """Answers every question as the brief says."""

    def answer(question: Question) -> None:
        match question.about:
            case Ask.SHUTTLE:
                question.answer(question.choices[0])
            case Ask.SPREADER:
                question.answer("")
            case Ask.SLOTS:
                slots = site.places[question.place].slots
                question.answer(*contents.get(question.place, ("",) * slots))
            case _:
                question.answer()

    return answer
