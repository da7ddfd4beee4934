"""Supervisors that break one rule each, and how one is judged: the counterpart of the faulty nodes."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from conformance.played.plan import TRAIN, Brief, Contents
from conformance.played.stand import Play
from conformance.played.virtual import VirtualYard
from conformance.runner import Result, Run, Selection
from protocol.site import Site
from protocol.site_file import scenario
from reference_node.supervisor.goals import Admit, Depart, Goal, Move, Together
from reference_node.supervisor.question import Ask, Question
from reference_node.supervisor.session import Pace
from reference_node.supervisor.supervisor import Supervisor

NAME = "yard"
PACE = Pace(give_up_ms=8_000)
"""Else a case would have to wait for a minute and a half until a job is given up."""


@dataclass(frozen=True, slots=True)
class Faulty:
    """One wrong supervisor: what it breaks, and the case that must say so."""

    name: str
    requirement: str
    caught_by: str
    kind: type[Supervisor]
    site: Site


FAULTY: dict[str, Faulty] = {}


def faulty(
    requirement: str, caught_by: str, *, site: Site | None = None
) -> Callable[[type[Supervisor]], type[Supervisor]]:
    """Enter a supervisor that breaks `requirement` and must be caught by the case `caught_by`."""

    def enter(kind: type[Supervisor]) -> type[Supervisor]:
        assert kind.__name__ not in FAULTY, kind.__name__
        FAULTY[kind.__name__] = Faulty(kind.__name__, requirement, caught_by, kind, site or scenario())
        return kind

    return enter


class Holding(Supervisor):
    """What the person does who has been told to have it hold every node."""


def goals_of(brief: Brief, site: Site) -> tuple[Goal, ...]:
    """The goal of a brief in the reference supervisor's words."""
    plan = brief.plan
    empty = ("",) * site.places[plan.track].slots
    work = Together((Move(plan.box, plan.track, 0), Admit(plan.berth, TRAIN, empty)))
    return (work, Depart(plan.berth)) if brief.goal else ()


def person(site: Site, contents: Contents) -> Callable[[Question], None]:
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


def supervisor(kind: type[Supervisor], site: Site, boot: int, now_ms: int, brief: Brief | None) -> Supervisor:
    """A supervisor that was started by a person who follows the brief."""
    made = kind(
        site,
        NAME,
        boot=boot,
        rng=random.Random(boot),
        started_ms=now_ms,
        goals=goals_of(brief, site) if brief else (),
        contents=brief.contents if brief else {},
        on_question=person(site, brief.contents) if brief and brief.answers else None,
        pace=PACE,
    )
    if brief and brief.holds:
        made.hold()
    return made


def judge(
    kind: type[Supervisor] = Supervisor,
    *,
    seed: int = 1,
    only: tuple[str, ...] = (),
    site: Site | None = None,
    **bus: Any,
) -> dict[str, Result]:
    """Run cases against a supervisor in this process on virtual time."""
    where = site or scenario()
    bench = VirtualYard(
        where,
        lambda boot, now_ms, brief: supervisor(kind, where, boot, now_ms, brief),
        random.Random(seed + 1),
        **bus,
    )
    return Run(Play(bench, where, NAME, random.Random(seed)), Selection(only=only)).perform()
