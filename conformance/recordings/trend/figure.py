"""What is followed over runs: each figure, how a run's value comes of its observations, and whose figure it is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Sum(StrEnum):
    """What a run's value is, of all its observations."""

    MEAN = "mean"
    MOST = "most"
    COUNT = "count"
    """Their total: of events, which are rare."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One kind of figure."""

    name: str
    unit: str
    sum: Sum
    least_scatter: float
    """Standard deviation that is assumed at least: what clocks, main loops and rounding add anywhere."""


FIGURES = {
    figure.name: figure
    for figure in (
        Figure("step", "ms", Sum.MEAN, 5.0),
        Figure("reading", "", Sum.MEAN, 0.5),
        Figure("arm_to_end", "ms", Sum.MEAN, 5.0),
        Figure("ignored", "pulses", Sum.MEAN, 0.3),
        Figure("answer", "ms", Sum.MEAN, 2.0),
        Figure("gap", "ms", Sum.MOST, 20.0),
        Figure("lost", "messages", Sum.COUNT, 0.0),
        Figure("reconnects", "connections", Sum.COUNT, 0.0),
        Figure("invalid", "messages", Sum.COUNT, 0.0),
    )
}


class Key(NamedTuple):
    """Whose figure it is; '' for what does not tell it apart. Two runs with the same key are compared."""

    node: str
    figure: str
    act: str = ""
    step: str = ""
    way: str = ""
    """The slot at which a step is done, or from where to where it goes."""
    train: str = ""

    @property
    def kind(self) -> Figure:
        """What kind of figure it is."""
        return FIGURES[self.figure]

    def __str__(self) -> str:
        what = self.figure.replace("_", " ")
        if self.figure == "step":
            what = f"{self.act}, {self.step}" + (f" {self.way}" if self.way else "")
        return f"{self.node}: {what}" + (f", train {self.train}" if self.train else "")
