"""A docstring says what and why: the id of a requirement alone sends the reader elsewhere."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator

import pytest

from tests.architecture.purity import ROOT

REQUIREMENT = re.compile(r"\b[A-Z]{3}-\d\d\b")
LEAST_WORDS = 3
"""Beside the ids; fewer do not make a sentence."""
DOCUMENTED = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef


def bare_ids(source: str) -> Iterator[tuple[int, str]]:
    """Docstrings that name a requirement and say hardly more: the line and the text."""
    for node in ast.walk(ast.parse(source)):
        text = ast.get_docstring(node) if isinstance(node, DOCUMENTED) else None
        if (
            text
            and REQUIREMENT.search(text)
            and len(re.findall(r"\w+", REQUIREMENT.sub("", text))) < LEAST_WORDS
        ):
            yield getattr(node, "lineno", 1), text


def test_every_docstring_says_what_it_means() -> None:
    paths = [
        path for part in ("protocol", "reference_node", "conformance") for path in (ROOT / part).rglob("*.py")
    ]
    assert len(paths) > 300
    found = [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for path in sorted(paths)
        for line, text in bare_ids(path.read_text(encoding="utf-8"))
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(
    "text", ["ORD-05.", "HLD-01, HLD-02.", "By state [BER-03].", "[MSG-02]", "CLM-01 to CLM-03."]
)
def test_a_bare_id_is_found(text: str) -> None:
    assert list(bare_ids(f'def f():\n    """{text}"""\n')) == [(1, text)]


def test_a_sentence_with_an_id_is_not() -> None:
    assert not list(bare_ids('"""A node answers an ask with all its state [ORD-03]."""\n'))
