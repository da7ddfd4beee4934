"""A formula over the facts of an order, as an expression of the language that a node is written in."""

from __future__ import annotations

import ast
import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import ClassVar

COMPARISONS: dict[type[ast.cmpop], str] = {
    ast.Eq: "==", ast.NotEq: "!=", ast.LtE: "<=", ast.Lt: "<", ast.GtE: ">=", ast.Gt: ">",
}  # fmt: skip


class NoFormula(ValueError):
    """A formula of a guard says what the node has no word for."""


class FormulaText(ABC):
    """Writes formulas. What a language calls each fact is its own; the walk is the same for all."""

    both: ClassVar[str]
    either: ClassVar[str]
    negated: ClassVar[str]
    """Behind it stands what is negated."""
    sets: ClassVar[dict[str, str]]
    """Whether the act of the order is among a named set."""

    @abstractmethod
    def fact(self, name: str) -> str:
        """A field of the order or a fact of the node. Raises NoFormula."""

    @abstractmethod
    def word(self, name: str, comparison: str, word: str) -> str:
        """A comparison with a word of the protocol. Raises NoFormula."""

    @abstractmethod
    def among(self, words: Sequence[str]) -> str:
        """Whether the act of the order is one of these."""

    @abstractmethod
    def has(self, name: str) -> str:
        """Whether a field is there, or a job or role. Raises NoFormula."""

    @abstractmethod
    def after(self, one: str, other: str) -> str:
        """Whether one uptime is later than another; both as `fact` gives them."""

    def of(self, formula: str) -> str:
        """The expression. Raises NoFormula."""
        return self._expression(ast.parse(formula, mode="eval").body)

    def _expression(self, node: ast.expr) -> str:
        match node:
            case ast.BoolOp(op, parts):
                word = self.both if isinstance(op, ast.And) else self.either
                return word.join(self._inner(part) for part in parts)
            case ast.UnaryOp(ast.Not(), part):
                return f"{self.negated}{self._inner(part)}"
            case ast.Compare(left, [ast.In()], [right]):
                return self._among(left, right)
            case ast.Compare(left, [op], [ast.Constant(str(word))]):
                return self.word(ast.unparse(left), COMPARISONS[type(op)], word)
            case ast.Compare(left, [op], [right]):
                return f"{self._fact(left)} {COMPARISONS[type(op)]} {self._fact(right)}"
            case ast.Call(ast.Name("has"), [part], []):
                return self.has(ast.unparse(part))
            case ast.Call(ast.Name("after"), [one, other], []):
                return self.after(self._fact(one), self._fact(other))
            case ast.Attribute():
                return self._fact(node)
        raise NoFormula(ast.unparse(node))

    def _inner(self, node: ast.expr) -> str:
        text = self._expression(node)
        negated = re.escape(self.negated)
        return text if re.fullmatch(rf"({negated})?[\w.]+(\([^()]*\))?", text) else f"({text})"

    def _fact(self, node: ast.expr) -> str:
        return self.fact(ast.unparse(node))

    def _among(self, left: ast.expr, right: ast.expr) -> str:
        if ast.unparse(left) != "order.act":
            raise NoFormula(ast.unparse(left))
        if isinstance(right, ast.List):
            return self.among([str(part.value) for part in right.elts if isinstance(part, ast.Constant)])
        name = ast.unparse(right)
        if name not in self.sets:
            raise NoFormula(name)
        return self.sets[name]
