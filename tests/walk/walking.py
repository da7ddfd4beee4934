"""Walks over nodes in this process, on virtual time."""

from __future__ import annotations

from typing import Any

from conformance.tester.result import Result
from conformance.tester.walk.walk import Walked
from conformance.tester.walk.walk_case import ID, walk_case
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of


def walk(
    node: str,
    controller: type[Controller] = Controller,
    *,
    k: int = 1,
    motion: bool = True,
    seed: int = 1,
    **stand: Any,
) -> tuple[Result, Walked]:
    """The result of a run of the walk and what it rests on, and what was walked."""
    run = run_of(node, controller=controller, seed=seed, only=(ID,), **stand)
    seen: list[Walked] = []
    case = walk_case(k, motion=motion, record=seen.append)
    run.perform([*_all(), case])
    return run.results[ID], seen[0]


def _all() -> list[Any]:
    from conformance.suite.case import all_cases

    return list(all_cases().values())
