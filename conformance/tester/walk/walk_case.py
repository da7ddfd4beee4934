"""The walk as a case of a run: selected, judged and reported as any other, though no chapter holds it."""

from __future__ import annotations

import inspect
from collections.abc import Callable

from conformance.suite.case import Case
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import NoOccasion, Unclear
from conformance.tester.identity import motion_withheld
from conformance.tester.no_verdict import NO_WALK
from conformance.tester.walk.walk import Walk, Walked
from protocol.specification import specification

ID = "walk"
CHAPTERS = ("ORD", "CLM", "HLD", "FLT", "CRN", "BER", "SHT")
BESIDE = ("ENC-10", "LNK-09", "LNK-10", "LNK-14", "MSG-05", "BEN-04", "SAF-04")

PAGE = """
    Leads the node through every transition of the machine that it must be, in one life.

    That machine follows from the tables. What decides on the next order is the mode or state of each role, the job,
    the hold and the load; what can befall a node in such a state is an order relative to it (the next id, the job's,
    an old one, another boot, another count), rubbish, a lost connection, a sensor, a loss of motor power. The walk
    goes on from wherever the node is, without a reset, until each of these has befallen it in each state (`--walk 1`),
    or each behind each other (`--walk 2`). Behind every one it asks, and holds the answer and all that the node shows
    against the tables. A difference ends it, and is played again until the way to it is short.

    With --no-motion only what moves nothing is walked.
"""


def walk_case(
    k: int = 1,
    *,
    motion: bool = True,
    record: Callable[[Walked], None] = lambda _walked: None,
    progress: Callable[[Walked], None] = lambda _walked: None,
) -> Case:
    """A walk of every transition (1) or of every pair (2). `record` gets what was walked, also of one that failed."""

    def body(fixture: Fixture) -> None:
        if not k:
            raise NoOccasion(NO_WALK)
        # What the node says of itself counts as in any case that moves: in doubt nothing does.
        walk = Walk(fixture, k, motion=motion and not motion_withheld(fixture))
        begun: list[Walked] = []

        def note(walked: Walked) -> None:
            if not begun:
                begun.append(walked)
                record(walked)
            progress(walked)

        walk.progress = note
        walked = walk.run()
        if walked.broken is not None:
            raise walked.broken
        if walked.missed:
            told = f"{len(walked.missed)} of {walked.size} could not be walked, the first: {walked.missed[0]}"
            raise Unclear(told)

    return Case(
        id=ID,
        chapter=ID,
        requirements=judged(),
        body=body,
        page=inspect.cleandoc(PAGE),
        after=("orders-ask", "link-subscribes"),
        mode="bench",
    )


def judged() -> tuple[str, ...]:
    """What a walk may find broken."""
    known = specification().requirements
    nodes = ("node", "crane", "berth", "shuttle")
    chapters = (
        id_ for id_, one in known.items() if id_[:3] in CHAPTERS and one.role in nodes and one.level == "MUST"
    )
    return (*chapters, *BESIDE)
