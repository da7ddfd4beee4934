"""docs/mutants.md, made from `measured.json`: what the last run of each package came to."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import sqrt
from pathlib import Path
from statistics import NormalDist

from tests.mutation.packages import ROOT

PAGE = ROOT / "docs" / "mutants.md"
MEASURED = Path(__file__).with_name("measured.json")
GOAL = 0.88
HEAD = """# Mutants

A test is worth what it notices. `make mutants` changes the code in one place at a time (a comparison at its edge, a
number by one, a condition turned round, a statement taken out, ...), runs the module's own tests
(`tests/mutation/packages.toml`) over each such mutant and counts those that some test fails for. The operators of
cosmic-ray make the mutants; a sample is drawn from all places of a package, one mutant a place. An *equivalent* mutant
is one that nobody could tell from the program; it is not counted. One that is *owned up to* lives, and counts as alive.
Both stand with their reasons in `tests/mutation/survivors.toml`.

The lower bound is the lower end of the two-sided 95 % Wilson score interval (E. B. Wilson, Probable inference, the law
of succession, and statistical inference, J. Am. Stat. Assoc. 22 (1927) 209-212). It speaks of a sample that was drawn
before anybody looked: once its survivors have been killed, the same seed says too much, and another one is due.

The goal is a lower bound of 88 % in every package, with a sample of 600. What stands here are small samples: they say
where to look, and none is the sample that the goal asks for. A package without a line has not been measured yet.

| package | places | sample | seed | equivalent | killed | alive | kill rate | lower bound |
|---|---|---|---|---|---|---|---|---|
"""


@dataclass(frozen=True, slots=True)
class Measured:
    """What a sample of one package came to."""

    package: str
    places: int
    sample: int
    seed: int
    equivalent: int
    killed: int
    owned: tuple[str, ...]
    """Those that live and are listed, as lines of text."""
    alive: tuple[str, ...]
    """Those that live and are not listed."""
    first: str = ""
    """What this seed came to before its survivors were looked at; '' where they have not been."""

    @property
    def counted(self) -> int:
        """All but the equivalent ones."""
        return self.sample - self.equivalent

    @property
    def rate(self) -> float:
        """The share that was killed."""
        return self.killed / self.counted if self.counted else 0.0

    @property
    def lower(self) -> float:
        """The lower bound of the rate."""
        return wilson_lower(self.killed, self.counted)

    def row(self) -> str:
        """Its line of the table."""
        living = len(self.owned) + len(self.alive)
        figures = (
            self.package, self.places, self.sample, self.seed, self.equivalent, self.killed, living,
            f"{100 * self.rate:.1f} %", f"{100 * self.lower:.1f} %",
        )  # fmt: skip
        return "| " + " | ".join(str(figure) for figure in figures) + " |\n"


def wilson_lower(killed: int, counted: int, confidence: float = 0.95) -> float:
    """The lower end of the two-sided score interval of a share; 0 where nothing was counted."""
    if not counted:
        return 0.0
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    share = killed / counted
    middle = share + z * z / (2 * counted)
    half = z * sqrt(share * (1 - share) / counted + z * z / (4 * counted * counted))
    return (middle - half) / (1 + z * z / counted)


def page(measured: Mapping[str, Measured]) -> str:
    """The whole page."""
    text = HEAD + "".join(one.row() for one in measured.values())
    for one in measured.values():
        if one.first:
            text += f"\n`{one.package}`: {one.first}\n"
    for title, part in (("Alive", "alive"), ("Owned up to", "owned")):
        lines = [f"- {line}\n" for one in measured.values() for line in getattr(one, part)]
        if lines:
            text += f"\n## {title}\n\n" + "".join(lines)
    return text


def read(path: Path = MEASURED) -> dict[str, Measured]:
    """What was measured last, by package."""
    entries = json.loads(path.read_text()) if path.exists() else []
    found = [Measured(**entry | {key: tuple(entry[key]) for key in ("owned", "alive")}) for entry in entries]
    return {one.package: one for one in found}


def write(measured: Mapping[str, Measured], path: Path = MEASURED, page_path: Path = PAGE) -> None:
    """Keep it, and make the page of it."""
    path.write_text(json.dumps([asdict(one) for one in measured.values()], indent=1) + "\n")
    page_path.write_text(page(measured))
