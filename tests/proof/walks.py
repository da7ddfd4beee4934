"""Seeded walks through the yard with several disturbances at once: which rows of the tables cannot be done without.

An exploration of three disturbances that meet has more states than it may have to find a row. A walk meets few of
them, and any way to a row shows that it is needed. `python -m tests.proof.walks` enters what it finds in the kill list.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections.abc import Iterator

from tests.proof.kill_list import KNOWN, Kill, fired, known
from tests.proof.yard.budget import DISTURBANCES, Budget
from tests.proof.yard.participants import Steps
from tests.proof.yard.yard import Yard

STEPS = 110
"""Of one walk: longer than the longest undisturbed way."""
TOGETHER = 3
"""Disturbances of one walk, each twice."""
LEFT_OUT = ("lose", "told", "old map")
"""What needs another site, or a supervisor that restarts."""
DISTURBED = 0.2


def met(seed: int, steps: Steps) -> Iterator[int]:
    """Walk once; after each step the number of states met so far."""
    rng = random.Random(seed)
    kinds = rng.sample([name for name in DISTURBANCES if name not in LEFT_OUT], TOGETHER)
    yard = Yard(Budget("crane", dict.fromkeys(kinds, 2)), steps)
    state = yard.first()
    for number in range(1, STEPS + 1):
        edges = yard.edges(state)
        wanted = rng.random() < DISTURBED
        some = [after for _, after, disturbed, wrong in edges if disturbed == wanted and not wrong]
        some = some or [after for _, after, _, wrong in edges if not wrong]
        if not some:
            return
        state = rng.choice(some)
        yield number


def main(walks: int, first: int) -> None:
    """Walk so often; keep every row that is found and was not known to be needed."""
    steps, found, total = Steps("crane"), dict[str, Kill](), 0
    for seed in range(first, first + walks):
        way, before = met(seed, steps), total

        def one(way: Iterator[int] = way, before: int = before) -> int:
            return before + next(way, 0)

        fired(one, found, f"walk {seed}")
        total += STEPS
        rows = known()
        new = [name for name, kill in found.items() if kill.what and not rows[name]["what"]]
        for name in new:
            kill = found[name]
            rows[name] |= {"budget": kill.budget, "states": kill.states, "what": kill.what, "reason": ""}
            sys.stdout.write(f"{name}: {kill.what} ({kill.budget})\n")
            sys.stdout.flush()
        if new:
            KNOWN.write_text(json.dumps(rows, indent=1, sort_keys=True) + "\n", encoding="utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.proof.walks", description=__doc__)
    parser.add_argument("--walks", type=int, default=200)
    parser.add_argument("--first", type=int, default=1, help="seed of the first")
    asked = parser.parse_args()
    main(asked.walks, asked.first)
