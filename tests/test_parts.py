"""The parts in which CI runs the tests: together they are all of them, and none runs twice."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import combinations
from pathlib import Path

from _pytest.mark.expression import Expression

ROOT = Path(__file__).parents[1]
KINDS = ("wire", "browser", "faulty", "slow", "exhaustive")


def selections() -> dict[str, Expression]:
    """What each part of CI that runs tests selects, by its target in the Makefile."""
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    parts = re.findall(r"^part .* make (\w+)$", run, re.MULTILINE)
    recipe = r'^(\w+): \$\(DEV\)\n\t@.*\$\(PYTEST\).* -m "([^"]+)" \$\(ARGS\)$'
    targets = dict(re.findall(recipe, makefile, re.MULTILINE))
    return {name: Expression.compile(targets[name]) for name in parts if name in targets}


def is_among(marks: set[str]) -> Callable[..., bool]:
    return lambda name, /, **_: name in marks


def test_every_test_of_ci_is_in_one_part_and_in_no_other() -> None:
    found = selections()
    assert len(found) > 2
    for number in range(len(KINDS) + 1):
        for marks in map(set, combinations(KINDS, number)):
            parts = [name for name, part in found.items() if part.evaluate(is_among(marks))]
            assert len(parts) == ("exhaustive" not in marks), (marks, parts)
