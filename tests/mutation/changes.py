"""The mutants of a source file: every place where an operator of cosmic-ray, or the removal of a statement, changes it.

A place gives one mutant, whichever number of operators fit it, and a sample takes the places whose hash with the seed
is lowest: an edit elsewhere leaves the sample as it is.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator
from parso.python.tree import Keyword

COMPARISONS = (
    "Eq_NotEq", "NotEq_Eq", "Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt", "GtE_Lt", "Is_IsNot",
    "IsNot_Is",
)  # fmt: skip
"""At the edge, and the opposite: what differs from neither is killed by what kills these (Just, Kapfhammer and
Schweiggert, Do redundant mutants affect the effectiveness and efficiency of mutation analysis?, ICST 2012)."""
ARITHMETIC = (
    "Add_Sub", "Sub_Add", "Mul_FloorDiv", "FloorDiv_Mul", "Div_Mul", "Mod_FloorDiv", "Pow_Mul", "LShift_RShift",
    "RShift_LShift", "BitAnd_BitOr", "BitOr_BitAnd", "BitXor_BitAnd",
)  # fmt: skip
SIGNS = ("USub_UAdd", "Delete_Not", "Delete_Invert")
OTHERS = (
    "AddNot", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd",
    "ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ExceptionReplacer", "NumberReplacer", "RemoveDecorator",
    "ZeroIterationForLoop",
)  # fmt: skip
CALCULATING = (
    "arith_expr",
    "term",
    "power",
    "shift_expr",
    "expr",
    "and_expr",
    "xor_expr",
    "factor",
    "expr_stmt",
)
REMOVAL = "RemoveStatement"
REMOVED = ("atom_expr", "expr_stmt", "raise_stmt", "del_stmt")


class RemoveStatement(Operator):  # type: ignore[misc]
    """`pass` in place of a call, of a `raise` or `del`, or of an assignment to what a name does not hold.

    Deng, Offutt and Li, Empirical evaluation of the statement deletion mutation operator, ICST 2013.
    """

    def mutation_positions(self, node: Any) -> Iterator[tuple[Any, Any]]:
        """The place of the node, where it is such a statement."""
        alone = node.type in REMOVED and node.parent is not None and node.parent.type == "simple_stmt"
        if alone and (node.type != "expr_stmt" or _reaches_further(node)):
            yield node.start_pos, node.end_pos

    def mutate(self, node: Any, index: int) -> Keyword:
        """`pass` in its place."""
        return Keyword("pass", node.start_pos, prefix=node.get_first_leaf().prefix)

    @classmethod
    def examples(cls) -> tuple[()]:
        """None are needed: it is not found by name."""
        return ()


def _reaches_further(statement: Any) -> bool:
    """Whether it changes an object or a variable that was there; without a new local one the next line would fail."""
    target, sign = statement.children[0], statement.children[1]
    return sign.type != "annassign" and (
        target.type in ("atom_expr", "power") or sign.get_code().strip() != "="
    )


@dataclass(frozen=True, slots=True)
class Change:
    """One mutant. It is known again by everything but its line number and occurrence, which move with the text."""

    file: str
    scope: str
    """Class and function, as in `Relay._packets`; '' at the module's top."""
    text: str
    """The first line of what is changed, without its indent."""
    operator: str
    nth: int
    """Which of several that have all of the above in common, from 1."""
    line: int
    occurrence: int
    place: tuple[int, int]

    @property
    def key(self) -> str:
        """What it is known by."""
        return " | ".join((self.file, self.scope, self.text, self.operator, str(self.nth)))

    def apply(self, source: str) -> str:
        """The mutated source."""
        mutated = mutate_code(source, _operators()[self.operator], self.occurrence)
        assert isinstance(mutated, str)
        return mutated

    def shown(self, source: str) -> str:
        """The changed line as it is and as it becomes."""
        old, new = source.splitlines(), self.apply(source).splitlines()
        for before, after in zip(old, new, strict=False):
            if before != after:
                return f"{before.strip()} -> {after.strip()}"
        return f"{self.text} -> (gone)"


def changes_of(file: str, source: str) -> list[Change]:
    """Every mutant of a file."""
    found: list[Change] = []
    met: Counter[str] = Counter()
    like: Counter[tuple[str, str, str]] = Counter()
    lines = source.splitlines()
    for node in ast_nodes(get_ast(source)):
        for name, operator in _operators().items():
            for start, _end in operator.mutation_positions(node):
                occurrence = met[name]
                met[name] += 1
                if _is_idle(node):
                    continue
                scope, text = _scope(node), lines[start[0] - 1].strip()
                like[scope, text, name] += 1
                nth = like[scope, text, name]
                found.append(Change(file, scope, text, name, nth, start[0], occurrence, start))
    return found


def sample(changes: Iterable[Change], size: int, seed: int) -> list[Change]:
    """So many places, with one change each; all of them where there are no more."""
    by_place = groupby(sorted(changes, key=_place), key=_place)
    chosen = [min(group, key=lambda one: _rank(seed, "change", one.key)) for _, group in by_place]
    chosen.sort(key=lambda one: _rank(seed, "place", one.key))
    return chosen[:size]


def _place(change: Change) -> tuple[str, int, int]:
    return change.file, *change.place


def _rank(seed: int, *words: str) -> bytes:
    return hashlib.blake2b("|".join((str(seed), *words)).encode(), digest_size=8).digest()


def _scope(node: Any) -> str:
    names = []
    while node is not None:
        if node.type in ("funcdef", "classdef"):
            names.append(node.name.value)
        node = node.parent
    return ".".join(reversed(names))


def _is_idle(node: Any) -> bool:
    """Whether the program never does what stands here, or only for tools: types, protocols, arguments of decorators."""
    if node.type == "operator" and node.parent.type not in CALCULATING:
        return True  # A star in a list of parameters or arguments.
    child, parent = node, node.parent
    while parent is not None:
        kind = parent.type
        if kind == "tfpdef" and child is not parent.children[0]:
            return True
        if kind == "annassign" and child is parent.children[1]:
            return True
        if kind == "funcdef" and parent.annotation is child:
            return True
        if kind == "classdef" and _bases(parent).endswith("Protocol"):
            return True
        if kind == "decorator" or (kind == "if_stmt" and "TYPE_CHECKING" in parent.children[1].get_code()):
            return True
        child, parent = parent, parent.parent
    return node.type == "if_stmt" and "TYPE_CHECKING" in node.children[1].get_code()


def _bases(class_: Any) -> str:
    bases = class_.get_super_arglist()
    return "" if bases is None else str(bases.get_code())


@cache
def _operators() -> dict[str, Any]:
    names = [f"ReplaceComparisonOperator_{name}" for name in COMPARISONS]
    names += [f"ReplaceBinaryOperator_{name}" for name in ARITHMETIC]
    names += [f"ReplaceUnaryOperator_{name}" for name in SIGNS]
    return {name: get_operator(f"core/{name}")() for name in (*names, *OTHERS)} | {REMOVAL: RemoveStatement()}


def sources(root: Path, folders: Iterable[str], without: Iterable[str]) -> dict[str, str]:
    """The source files of a package by their path under the root."""
    found = {
        path.relative_to(root).as_posix(): path.read_text()
        for folder in folders
        for path in sorted([root / folder] if folder.endswith(".py") else (root / folder).rglob("*.py"))
    }
    left_out = tuple(without)
    return {
        name: source
        for name, source in found.items()
        if not name.endswith("__init__.py") and not name.startswith(left_out or ("-",))
    }
