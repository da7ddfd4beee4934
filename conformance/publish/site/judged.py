"""What the judge of nodes checks in every case, found in its own code: every requirement that it can name.

A list beside the judge would fall behind it. So its modules are read, and those that read a message: a requirement that
they give, count or look up in a table of theirs is one that they can name; one that they only compare with is not.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from importlib import resources

from conformance.oracle.node_judge import AS_SENDER, UNDISTURBED
from conformance.oracle.order_checks import CHECKS
from conformance.oracle.order_effects import requirements_of
from conformance.suite.case import NODES, Case
from conformance.suite.traceability import OF_A_NODE
from protocol.specification import specification

ID = re.compile(r"[A-Z]{3}-\d\d")
ROOTS = {"conformance.oracle.node_judge": "conformance.oracle", "protocol.validation": "protocol"}
"""A module that judges, and the package within which its imports are followed."""
JUDGE = "judge"
"""The name under which `yardwire explain` lists them."""


@cache
def judged_in_every_case() -> tuple[str, ...]:
    """The requirements of nodes that the judge checks whatever a case is about, in the order of the specification."""
    named = {id_ for root, package in ROOTS.items() for id_ in _named(root, package)}
    named |= {id_ for check in CHECKS for id_ in requirements_of(check)}
    named = {AS_SENDER.get(id_, id_) for id_ in named} - set(UNDISTURBED.values())
    of_a_node = {*OF_A_NODE} - {"supervisor"}
    known = specification().requirements.values()
    return tuple(rule.id for rule in known if rule.id in named and rule.role in of_a_node)


def is_judged(case: Case) -> bool:
    """Whether the judge of nodes follows what is said in a case."""
    return bool(set(case.roles) & set(NODES)) and not case.passive


def _named(root: str, package: str) -> Iterator[str]:
    """What the modules that `root` imports within the package can name."""
    ahead, seen = [root], set()
    while ahead:
        module = ahead.pop()
        if module in seen:
            continue
        seen.add(module)
        tree = ast.parse(_text(module))
        yield from _given(tree)
        ahead += [name for name in _imported(tree) if name.startswith(package + ".")]


def _text(module: str) -> str:
    package, _, name = module.rpartition(".")
    folder = resources.files(package)
    inside = folder.joinpath(name, "__init__.py")
    return (inside if inside.is_file() else folder.joinpath(f"{name}.py")).read_text(encoding="utf-8")


def _imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def _given(node: ast.AST) -> Iterator[str]:
    """Every id in what is given away; what something is compared with, and the keys of a table, are left out."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and ID.fullmatch(node.value):
        yield node.value
    taken_off = isinstance(node, ast.BinOp) and isinstance(node.op, ast.Sub)
    if taken_off or isinstance(node, (ast.Compare, ast.MatchValue)):
        return
    keys = set(map(id, node.keys)) if isinstance(node, ast.Dict) else set()
    for inner in ast.iter_child_nodes(node):
        if id(inner) not in keys:
            yield from _given(inner)
