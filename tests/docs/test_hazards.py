"""Each gate of docs/hazards.md names a test that is there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROW = re.compile(r"^\| (?!what can make|-)(.+?) \| (.+?) \| `(tests/.+?\.py)::(\w+)` \|$", re.MULTILINE)
PAGE = (ROOT / "docs" / "hazards.md").read_text(encoding="utf-8")


def test_every_row_has_a_hazard_a_gate_and_a_test() -> None:
    rows = [line for line in PAGE.splitlines() if line.startswith("| ") and not line.startswith("| what can")]
    assert len(rows) == len(ROW.findall(PAGE)) > 40


@pytest.mark.parametrize(("path", "name"), [row[2:] for row in ROW.findall(PAGE)])
def test_the_test_is_there(path: str, name: str) -> None:
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    names = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}
    assert name in names


@pytest.mark.parametrize(("path", "name"), [row[2:] for row in ROW.findall(PAGE)])
def test_a_gate_is_tested_in_every_run(path: str, name: str) -> None:
    """None is left to `make exhaustive`, but for what a sample of a grid leaves out."""
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    marks = [
        ast.unparse(one)
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name == name
        for one in node.decorator_list
    ]
    assert not [one for one in marks if one.startswith("pytest.mark.exhaustive")]
