"""What only a person can see, and what only the author of a firmware can vouch for.

Neither is ever counted as tested: a report shows the answers as kinds of their own.
"""

from __future__ import annotations

import select
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal, TextIO

from protocol.site import NodeSite
from protocol.specification import Requirement, specification

OF_ANY_NODE = ("node", "sender", "receiver")
KINDS = {"person": "asked of a person", "declared": "declared"}
ANSWERS = {"y": "yes", "yes": "yes", "n": "no", "no": "no", "": "not now", "later": "not now"}
ANSWER_SECONDS = 300.0

Answer = Literal["yes", "no", "not now", "not asked"]


@dataclass(frozen=True, slots=True)
class Question:
    """One question to a person: what to do first, and what to answer with yes or no."""

    requirement: str
    kind: str
    """'asked of a person' or 'declared'."""
    level: str
    sentence: str
    do: str
    """What has to be done before it can be seen; '' for a declaration."""
    ask: str


@dataclass(frozen=True, slots=True)
class Answered:
    """A question with what came of it."""

    question: Question
    answer: str = "not asked"

    @property
    def breaks(self) -> bool:
        """Whether a person has seen a MUST broken, or will not vouch for it."""
        return self.answer == "no" and self.question.level == "MUST"

    def document(self) -> dict[str, Any]:
        """As it stands in a report."""
        return asdict(self.question) | {"answer": self.answer}


@cache
def questions() -> dict[str, Question]:
    """Every question by its requirement, in the order of the specification."""
    text = resources.files(__package__).joinpath("questions.toml").read_text(encoding="utf-8")
    told = tomllib.loads(text)
    return {
        id_: _question(requirement, told[id_])
        for id_, requirement in specification().requirements.items()
        if id_ in told
    }


def _question(requirement: Requirement, told: dict[str, str]) -> Question:
    return Question(
        requirement=requirement.id,
        kind=KINDS[requirement.seen],
        level=requirement.level,
        sentence=requirement.says,
        do=told.get("do", ""),
        ask=told["ask"],
    )


def questions_for(node: NodeSite) -> tuple[Question, ...]:
    """The questions about a node with these roles."""
    bound = (*node.roles, *(() if "supervisor" in node.roles else OF_ANY_NODE))
    known = specification().requirements
    return tuple(one for one in questions().values() if known[one.requirement].role in bound)


class Person:
    """Somebody at a terminal, asked with a time limit."""

    def __init__(self, lines: TextIO, tell: Callable[[str], None], within_s: float = ANSWER_SECONDS) -> None:
        """`lines` is where the answers are typed. One that does not come in time is 'not now'."""
        self._lines, self._tell, self._within_s = lines, tell, within_s

    def tell(self, text: str) -> None:
        """Say something."""
        self._tell(text)

    def answer(self, question: Question) -> Answered:
        """Ask until the answer is one of y, n and Enter, or time is up."""
        self._tell(f"\n{question.requirement} ({question.kind}): {question.sentence}")
        if question.do:
            self._tell(question.do)
        while True:
            self._tell(f"{question.ask} [y]es, [n]o, Enter for not now ({self._within_s:g} s)")
            ready, _, _ = select.select([self._lines], [], [], self._within_s)
            line = self._lines.readline() if ready else ""
            word = line.strip().lower()
            if word in ANSWERS:
                return Answered(question, ANSWERS[word])
            self._tell("Please answer y or n, or press Enter.")


def ask_all(person: Person, asked: Iterable[Answered]) -> tuple[Answered, ...]:
    """Ask what has not been answered with yes or no yet."""
    return tuple(one if one.answer in ("yes", "no") else person.answer(one.question) for one in asked)
