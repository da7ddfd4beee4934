"""How many examples the tests over generated values try, and whether they are the same ones every time.

By default they are: what `make test` and CI run never depends on a fresh draw. YARDWIRE_EXPLORE=N tries N times as many
of fresh ones, by hand (`make explore`); what it finds is kept beside the test as an `@example`.
"""

from __future__ import annotations

import os

from hypothesis import Phase, settings

TIMES = int(os.environ.get("YARDWIRE_EXPLORE") or 0)
ENOUGH = os.environ.get("YARDWIRE_FIRST_FAILURE") == "1"
"""Whether a failure is enough, as for a mutant, and need not be made short."""
PHASES = (Phase.explicit, Phase.generate) if ENOUGH else tuple(Phase)
USUAL = 100
"""Examples of a test that names no number."""


def load_profile() -> None:
    """Make the profile the default of every test. A shared machine may stall any single example: no deadline."""
    settings.register_profile(
        "ci", deadline=None, derandomize=True, database=None, print_blob=True, phases=PHASES
    )
    settings.register_profile(
        "explore", deadline=None, derandomize=False, max_examples=USUAL * TIMES or USUAL, print_blob=True
    )
    settings.load_profile("explore" if TIMES else "ci")


def examples(number: int) -> settings:
    """So many examples, or times as many where exploring is asked for."""
    return settings(max_examples=number * max(1, TIMES))
