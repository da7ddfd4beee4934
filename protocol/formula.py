"""Formulas of the guards: what a formula over named facts comes to, with no more of Python than it needs."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from protocol.counting import uptime_difference

Facts = Mapping[str, Any]


class NotAFormula(ValueError):
    """The text is no formula: another construct than names, fields, comparisons, and, or, not, has, after."""


def holds(formula: str, facts: Facts) -> bool:
    """Whether `formula` is so; a field that is not there is None. Raises NotAFormula."""
    return bool(_value(_parsed(formula), facts))


@lru_cache(maxsize=512)
def _parsed(formula: str) -> ast.expr:
    try:
        return ast.parse(formula, mode="eval").body
    except SyntaxError as error:
        raise NotAFormula(f"{formula!r}: {error.msg}") from error


def names(formula: str) -> set[str]:
    """The names that a formula speaks of, with their fields: `order.id`."""
    tree = ast.parse(formula, mode="eval")
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    inner = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    return {
        ast.unparse(node)
        for node in ast.walk(tree)
        if isinstance(node, ast.Name | ast.Attribute) and id(node) not in called | inner
    }


def _value(node: ast.expr, facts: Facts) -> Any:
    match node:
        case ast.Constant(value):
            return value
        case ast.Name(name):
            return facts.get(name)
        case ast.Attribute(of, field):
            whole = _value(of, facts)
            return whole.get(field) if isinstance(whole, Mapping) else getattr(whole, field, None)
        case ast.List(parts):
            return [_value(part, facts) for part in parts]
        case ast.BoolOp(op, parts):
            return (all if isinstance(op, ast.And) else any)(_value(part, facts) for part in parts)
        case ast.UnaryOp(ast.Not(), part):
            return not _value(part, facts)
        case ast.Compare(left, [op], [right]):
            return _compare(op, _value(left, facts), _value(right, facts))
        case ast.Call(ast.Name("has"), [part], []):
            return _value(part, facts) is not None
        case ast.Call(ast.Name("after"), [one, other], []):
            return uptime_difference(_value(one, facts), _value(other, facts)) > 0
    raise NotAFormula(f"{ast.unparse(node)!r} is nothing that a formula has")


def _compare(op: ast.cmpop, left: Any, right: Any) -> bool:
    match op:
        case ast.Eq():
            return bool(left == right)
        case ast.NotEq():
            return bool(left != right)
        case ast.In():
            return isinstance(right, list | tuple) and left in right
    if left is None or right is None:
        return False
    match op:
        case ast.Lt():
            return bool(left < right)
        case ast.LtE():
            return bool(left <= right)
        case ast.Gt():
            return bool(left > right)
        case ast.GtE():
            return bool(left >= right)
    raise NotAFormula(f"{type(op).__name__} is not a comparison of a formula")
