"""What a conformance case is, and the list of all of them.

A case is a function in `conformance/suite/cases/{chapter}.py`, or in one of the chapter's parts, under the decorator
`@case`. Its id is its name with '-' for '_' and is stable: it is never given to another case. Its docstring is
its published page.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Literal

from protocol.site import NodeSite, Site
from protocol.specification import specification

if TYPE_CHECKING:
    from conformance.suite.fixture import Fixture
    from conformance.suite.observation import Observing

CHAPTERS = (
    "link", "orders", "claim", "hold", "faults", "crane", "berth", "shuttle", "bench", "encoding", "messages",
    "serial", "supervisor",
)  # fmt: skip
"""The chapters in the order in which their cases run where prerequisites leave a choice."""
PARTS = {
    "link": ("link", "link_orders", "link_state"),
    "orders": ("orders", "orders_job"),
    "crane": ("crane", "crane_places", "crane_transfer"),
    "supervisor": (
        "supervisor.start",
        "supervisor.claim",
        "supervisor.boxes",
        "supervisor.work",
        "supervisor.again",
        "supervisor.silence",
        "supervisor.reading",
        "supervisor.later",
        "supervisor.trouble",
        "supervisor.passive",
    ),
}
"""The files of a chapter that has more than one."""

NODES = ("crane", "berth", "shuttle")
ROLES = (*NODES, "supervisor")
Mode = Literal["any", "bench", "service"]
Body = Callable[["Fixture"], "Observing | None"]
"""What sends and judges; a generator shares its waiting time with others (conformance/suite/observation.py)."""
Condition = Callable[[Site, NodeSite], str]
"""Why a case does not apply to a node, by the site file's statement; '' where it applies."""


@dataclass(frozen=True, slots=True)
class Case:
    """One conformance case."""

    id: str
    chapter: str
    requirements: tuple[str, ...]
    body: Body
    page: str
    roles: tuple[str, ...] = NODES
    after: tuple[str, ...] = ()
    """Prerequisites: cases without whose pass this one shows nothing."""
    moves: bool = False
    """Whether it sends orders that make a conformant node move."""
    mode: Mode = "any"
    """Whether it needs a node on the bench, or one in service."""
    passive: bool = False
    """Judged at the end from all that was seen; sends nothing but an ask where a run was shorter than its limit."""
    restarts: bool = False
    """Needs a way to reset the node."""
    applies: Condition = lambda _site, _node: ""
    since: int = 0
    """The minor version from which on a node is asked for it."""
    serial: bool = False
    """Needs the node on a serial line."""
    occasions: tuple[str, ...] = ()
    """What brings about what a passive case judges: run too where it is asked for by name, whatever comes of them."""

    @property
    def quiet(self) -> bool:
        """Whether it wants the node left alone for a while, together with others."""
        return inspect.isgeneratorfunction(self.body)

    @property
    def summary(self) -> str:
        """The first paragraph of its page, in one line."""
        return " ".join(self.page.partition("\n\n")[0].split())


_CASES: dict[str, Case] = {}


def case(
    *requirements: str,
    roles: tuple[str, ...] = NODES,
    after: tuple[str, ...] = (),
    moves: bool = False,
    mode: Mode = "any",
    passive: bool = False,
    restarts: bool = False,
    applies: Condition = lambda _site, _node: "",
    since: int | None = None,
    serial: bool = False,
    occasions: tuple[str, ...] = (),
) -> Callable[[Body], Body]:
    """Declare a function as a case that checks `requirements`.

    It is asked of nodes that say the minor version of its newest requirement, or a later one; `since` is for a case
    that asks an older node for the rest of them.
    """

    def declare(body: Body) -> Body:
        id_ = _id(body)
        if id_ in _CASES:
            raise ValueError(f"two cases are called {id_}")
        _CASES[id_] = Case(
            id=id_,
            chapter=_chapter(body.__module__),
            requirements=requirements,
            body=body,
            page=inspect.cleandoc(body.__doc__ or ""),
            roles=roles,
            after=after,
            moves=moves,
            mode=mode,
            passive=passive,
            restarts=restarts,
            applies=applies,
            since=_newest(requirements) if since is None else since,
            serial=serial,
            occasions=occasions,
        )
        return body

    return declare


def case_of(body: Body) -> Case:
    """The case that a function was declared as. Raises KeyError where it is none."""
    return _CASES[_id(body)]


def _id(body: Body) -> str:
    return body.__name__.replace("_", "-")


def _newest(requirements: tuple[str, ...]) -> int:
    known = specification().requirements
    return max((known[id_].since for id_ in requirements if id_ in known), default=0)


def _chapter(module: str) -> str:
    """The chapter of a case by the module that declares it: `cases.orders_job` and `cases.orders` are both orders."""
    part = module.removeprefix("conformance.suite.cases.")
    return part.partition(".")[0].partition("_")[0]


@cache
def all_cases() -> dict[str, Case]:
    """Every case by its id, chapter by chapter, in the order of the files."""
    for chapter in CHAPTERS:
        for part in PARTS.get(chapter, (chapter,)):
            import_module(f"conformance.suite.cases.{part}")
    return {id_: one for chapter in CHAPTERS for id_, one in _CASES.items() if one.chapter == chapter}
