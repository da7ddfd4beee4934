"""The parts of the tests: together they are all that `make test` runs, and none is in two."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import combinations
from pathlib import Path

from _pytest.mark.expression import Expression

ROOT = Path(__file__).parents[1]
KINDS = ("wire", "browser", "faulty", "slow", "long", "exhaustive")


def selections() -> dict[str, Expression]:
    """What each part of the tests selects, by its target in the Makefile; the exhaustive ones are by hand."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    recipe = r'^(\w+): \$\(DEV\)\n\t@.*\$\(PYTEST\).* -m "([^"]+)" \$\(ARGS\)$'
    targets = re.findall(recipe, makefile, re.MULTILINE)
    return {name: Expression.compile(marks) for name, marks in targets}


def is_among(marks: set[str]) -> Callable[..., bool]:
    return lambda name, /, **_: name in marks


def test_every_test_is_in_one_part_and_in_no_other() -> None:
    found = selections()
    assert len(found) > 2
    for number in range(len(KINDS) + 1):
        for marks in map(set, combinations(KINDS, number)):
            parts = [name for name, part in found.items() if part.evaluate(is_among(marks))]
            assert len(parts) == ("exhaustive" not in marks), (marks, parts)
