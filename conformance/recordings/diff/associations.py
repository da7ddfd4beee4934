"""What goes along with failure: counts, and how likely they are by chance.

Fisher's exact test (R. A. Fisher, 'The Design of Experiments', 1935, by scipy.stats.fisher_exact), and for many
questions at once the correction of S. Holm, 'A simple sequentially rejective multiple test procedure',
Scandinavian Journal of Statistics 6 (1979).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from statistics import median
from typing import Any

from conformance.recordings.runs.marks import Mark
from conformance.recordings.runs.run import Run

SURE = 0.05
"""By chance no more often than this, all questions together, is called 'goes along with'."""
MOST_LABELS = 40
NEEDS = "how likely these counts are by chance needs scipy: pip install 'yardwire[runs]'"


@dataclass(frozen=True, slots=True)
class Association:
    """A property, how many of the failed runs and of the others have it, and the probabilities by chance."""

    what: str
    failed_with: int
    failed: int
    others_with: int
    others: int
    p: float | None = None
    """Two-sided, of this table alone; None without scipy."""
    p_all: float | None = None
    """By Holm, of all questions that were asked."""

    @property
    def sure(self) -> bool:
        """Whether chance is hard to believe."""
        return self.p_all is not None and self.p_all <= SURE

    def __str__(self) -> str:
        counts = (
            f"{self.failed_with} of {self.failed} failed ones, {self.others_with} of {self.others} others"
        )
        if self.p_all is None:
            return f"{self.what}: {counts}"
        return f"{self.what}: {counts} (p = {self.p_all:.2g})"


def scipy_is_there() -> bool:
    """Whether probabilities can be told."""
    return find_spec("scipy") is not None


def associations(
    groups: Sequence[Sequence[Run]], runs: Sequence[Run], mark: Callable[[Run], Mark]
) -> list[list[Association]]:
    """For each group of failed runs what it has in common against all other runs, the surest first.

    All questions of all groups are corrected together.
    """
    features = list(_features(runs, mark))
    found: list[list[Association]] = []
    for group in groups:
        failed = {str(run.name) for run in group}
        rows = []
        for what, has in features:
            known = [run for run in runs if has(run) is not None]
            bad = [run for run in known if str(run.name) in failed]
            good = [run for run in known if str(run.name) not in failed]
            if not bad or not good:
                continue
            rows.append(
                Association(
                    what,
                    sum(bool(has(run)) for run in bad),
                    len(bad),
                    sum(bool(has(run)) for run in good),
                    len(good),
                )
            )
        found.append(rows)
    if scipy_is_there():
        found = _judged(found)
    return [sorted(rows, key=lambda one: (one.p is None, one.p or 0.0)) for rows in found]


def _judged(found: Sequence[Sequence[Association]]) -> list[list[Association]]:
    from dataclasses import replace

    ps = [[_fisher(row) for row in rows] for rows in found]
    corrected = iter(holm([p for row in ps for p in row]))
    return [
        [replace(one, p=p, p_all=next(corrected)) for one, p in zip(rows, row, strict=True)]
        for rows, row in zip(found, ps, strict=True)
    ]


def _fisher(row: Association) -> float:
    from scipy.stats import fisher_exact

    table = [
        [row.failed_with, row.failed - row.failed_with],
        [row.others_with, row.others - row.others_with],
    ]
    return float(fisher_exact(table).pvalue)


def holm(ps: Sequence[float]) -> list[float]:
    """Probabilities corrected for their number: the smallest times n, the next times n - 1, never falling."""
    order = sorted(range(len(ps)), key=ps.__getitem__)
    corrected = [0.0] * len(ps)
    highest = 0.0
    for rank, index in enumerate(order):
        highest = max(highest, min(1.0, ps[index] * (len(ps) - rank)))
        corrected[index] = highest
    return corrected


Has = Callable[[Run], bool | None]
"""Whether a run has a property; None where nobody knows."""


def _features(runs: Sequence[Run], mark: Callable[[Run], Mark]) -> Iterator[tuple[str, Has]]:
    trains = sorted({train for run in runs for train in run.facts.trains})[:MOST_LABELS]
    if len(trains) > 1:
        for train in trains:
            yield f"with train {train}", _with_train(train)
    yield "a node was reset in it", lambda run: run.restarts > 0
    yield "a node connected again in it", lambda run: bool(run.facts.reconnects)
    yield "messages were lost in it", lambda run: run.facts.lost > 0
    yield "the recorder lost its connection in it", lambda run: run.facts.connection_losses > 0
    yield from _halves(
        "time since the nodes were switched on", "s", {str(run.name): run.facts.uptime_s for run in runs}
    )
    yield from _halves("time of day", "h (UTC)", {str(run.name): _hour(run) for run in runs})
    names = sorted({name for run in runs for name in mark(run).figures})[:MOST_LABELS]
    for name in names:
        said = {str(run.name): mark(run).figures.get(name) for run in runs}
        if all(isinstance(value, int | float) for value in said.values() if value is not None):
            yield from _halves(name, "", said)
        else:
            for word in sorted({str(value) for value in said.values() if value is not None})[:MOST_LABELS]:
                yield f"{name} {word}", _says(said, word)


def _with_train(train: str) -> Has:
    return lambda run: train in run.facts.trains


def _says(said: Mapping[str, Any], word: str) -> Has:
    return lambda run: None if said[str(run.name)] is None else str(said[str(run.name)]) == word


def _halves(what: str, unit: str, values: Mapping[str, Any]) -> Iterator[tuple[str, Has]]:
    """More than the median of all runs that know it: one question, whatever the figure."""
    known = [value for value in values.values() if value is not None]
    if len(set(known)) < 2:
        return
    middle = median(known)

    def above(run: Run) -> bool | None:
        value = values[str(run.name)]
        return None if value is None else value > middle

    yield f"{what} above {middle:.4g}{f' {unit}' if unit else ''}", above


def _hour(run: Run) -> float:
    return int(run.began[11:13]) + int(run.began[14:16]) / 60


def none_before(group: Iterable[Run], runs: Sequence[Run]) -> tuple[str, int]:
    """When the first run of a group began, and how many of all runs had begun before."""
    first = min(run.began for run in group)
    return first, sum(run.began < first for run in runs)
