"""Writes docs/kill-matrix.md: which case catches which faulty node. `python -m tests.faulty_nodes.kill_matrix`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from rich.progress import track

from conformance.suite.verdict import Verdict
from conformance.tester.result import Result
from tests.faulty_nodes.every import FAULTY
from tests.faulty_nodes.faulty import Faulty
from tests.faulty_supervisors.every import FAULTY as WRONG_SUPERVISORS

PAGE = Path(__file__).parents[2] / "docs" / "kill-matrix.md"
HEAD = """# The kill matrix

A check is worth what it catches. Each line is a node that is wrong on purpose: the reference node with one rule
overridden (`tests/faulty_nodes/`). It breaks the requirement named, and the case named has to fail for just that
requirement when it is run by its name, or in the whole suite where what it tries needs a life before it.
Then the whole suite runs over the node: how many other cases fail as well, and how many can no longer show anything?
Where the case named is among the latter, the line says so; some other case has failed before it. All on virtual time
and of one seed; `make test` makes one line in eight again and compares, `make exhaustive` every one.

| node | breaks | caught by | others that fail | inconclusive |
|---|---|---|---|---|
"""


@dataclass(frozen=True, slots=True)
class Kill:
    """One line of the matrix."""

    wrong: Faulty
    verdict: Verdict
    """Of the case named, in a run of the whole suite."""
    failed: int
    """Other cases that failed by their own checks; what the judge of all messages finds counts apart."""
    inconclusive: int

    @classmethod
    def of(cls, wrong: Faulty, results: Mapping[str, Result]) -> Kill:
        """The line for a whole run over a faulty node. Raises AssertionError where nothing failed in it."""
        verdicts = [result.own for id_, result in results.items() if id_ != wrong.caught_by]
        if Verdict.ERROR in verdicts:
            raise AssertionError(f"the kit itself went wrong over {wrong.name}")
        verdict = results[wrong.caught_by].own
        failed, unclear = verdicts.count(Verdict.FAIL), verdicts.count(Verdict.INCONCLUSIVE)
        if not failed and verdict is not Verdict.FAIL:
            raise AssertionError(f"a run of the whole suite has no failed case over {wrong.name}")
        return cls(wrong, verdict, failed, unclear)

    def __str__(self) -> str:
        wrong = self.wrong
        then = "" if self.verdict is Verdict.FAIL else f" (in the whole suite {self.verdict.word})"
        by = f"`{wrong.caught_by}`{then}"
        return f"| `{wrong.name}` | {wrong.requirement} | {by} | {self.failed} | {self.inconclusive} |"


SUPERVISORS = """
## Supervisors

The same for supervisors (`tests/faulty_supervisors/`): the reference supervisor with one rule overridden, judged by the
case named among nodes that the kit plays.

| supervisor | breaks | caught by |
|---|---|---|
"""


def page(kills: Iterable[Kill]) -> str:
    """The whole page."""
    lines = [str(kill) for kill in kills]
    return "\n".join([HEAD + lines[0], *lines[1:], SUPERVISORS + supervisors()])


def supervisors() -> str:
    """The lines of the wrong supervisors; their tests run them."""
    every = sorted(WRONG_SUPERVISORS.values(), key=lambda wrong: (wrong.requirement, wrong.name))
    return "".join(f"| `{one.name}` | {one.requirement} | `{one.caught_by}` |\n" for one in every)


def main() -> None:
    """Run every faulty node and write the page."""
    every = sorted(FAULTY.values(), key=lambda wrong: (wrong.requirement, wrong.name))
    PAGE.write_text(page(Kill.of(wrong, wrong.run().perform()) for wrong in track(every, "Faulty nodes")))


if __name__ == "__main__":
    main()
