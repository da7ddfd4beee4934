"""How often what is said of a measured table is true: `python -m benchmarks.measure --arrivals 24 --size 3`.

The table of docs/measuring.md: for each imperfection how often it is named, how often nothing is, how often the 95 %
interval holds the truth, and its width over that of a fit that is told what was planted.
"""

from __future__ import annotations

from statistics import fmean

import click

from tests.measure.calibration import Outcome
from tests.measure.survey import PLANTED


@click.command()
@click.option("--arrivals", default=24, show_default=True, help="Arrivals of each survey.")
@click.option("--size", default=3.0, show_default=True, help="Of the imperfection, over the repeatability.")
@click.option("--seeds", default=143, show_default=True, help="Mechanisms of each kind.")
def main(arrivals: int, size: float, seeds: int) -> None:
    """Print a row for each imperfection."""
    print("| planted | named | nothing named | covered | width |\n|---|---|---|---|---|", flush=True)
    covered = []
    for planted in PLANTED:
        found = Outcome()
        for seed in range(seeds):
            found.add(planted, seed, size=size, arrivals=arrivals)
        covered.append(found.coverage)
        nothing = fmean(not names for names in found.named)
        named = "" if planted == "nothing" else f"{found.share_named(planted):.1%}"
        print(
            f"| {planted} | {named} | {nothing:.1%} | {found.coverage:.1%} | {found.width:.2f} |", flush=True
        )
    print(f"\nOver all of them the 95 % interval held the truth in {fmean(covered):.1%}.")


if __name__ == "__main__":
    main()
