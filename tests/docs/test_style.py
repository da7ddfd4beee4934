"""Texts that a user sees are written as docs/style.md says: its word list is read here, and stands once."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STYLE = ROOT / "docs" / "style.md"
PARTS = ("protocol", "reference_node", "conformance")
COMMANDS = ROOT / "conformance" / "commands"
CASES = ROOT / "conformance" / "suite" / "cases"
DOCUMENTS = [path for path in [*ROOT.glob("docs/**/*.md"), ROOT / "README.md"] if path != STYLE]
TEMPLATES = [*ROOT.glob("conformance/templates/**/*.j2"), *ROOT.glob("conformance/templates/**/*.js")]


def avoided() -> list[str]:
    rows = re.findall(r"^\| ([^|]+?) \| [^|]+ \|$", STYLE.read_text(encoding="utf-8"), re.MULTILINE)
    return [row for row in rows if row != "instead of"]


def pattern() -> re.Pattern[str]:
    return re.compile("|".join(rf"(?<![\w-]){re.escape(one)}(?![\w-])" for one in avoided()))


def docstrings(tree: ast.AST) -> Iterator[ast.Constant]:
    """Texts that stand alone: those for whoever reads the code."""
    for block in ast.walk(tree):
        body = getattr(block, "body", None)
        for statement in body if isinstance(body, list) else []:
            if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
                yield statement.value


def shown_texts(path: Path) -> Iterator[tuple[int, str]]:
    """The texts of a module that a user may see, with their lines: pages of commands and cases are docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    hidden = {id(text) for text in docstrings(tree)}
    pages = path.is_relative_to(CASES)
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            if pages or id(node) not in hidden:
                yield node.lineno, node.value
        elif isinstance(node, ast.FunctionDef) and path.is_relative_to(COMMANDS) and node.decorator_list:
            yield node.lineno, ast.get_docstring(node) or ""


def test_the_list_is_read() -> None:
    assert len(avoided()) > 10
    assert pattern().search("Mend it, or mend the name") is not None


@pytest.mark.parametrize("part", PARTS)
def test_no_text_that_is_shown_has_a_word_of_the_list(part: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}:{line}: {hit[0]!r}"
        for path in sorted((ROOT / part).rglob("*.py"))
        for line, text in shown_texts(path)
        for hit in pattern().finditer(text)
    ]
    assert found == []


@pytest.mark.parametrize("path", [*DOCUMENTS, *TEMPLATES], ids=lambda path: path.relative_to(ROOT).as_posix())
def test_no_document_or_template_has_a_word_of_the_list(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    assert [
        (number, hit[0]) for number, line in enumerate(lines, 1) for hit in pattern().finditer(line)
    ] == []
