"""Tables measured by somebody who does not know the mechanism: pairs from a seed."""

from __future__ import annotations

import random
from dataclasses import replace

from conformance.measure.pairs import Approach, Pair
from reference_node.mechanism.imperfection import Crank, Eccentric, Mechanism, SlippedTooth

LOW, HIGH = 100, 700
SCATTER = 0.4
TRAINS = ("shunter", "branch", "freight")
PLANTED = ("nothing", "period", "curvature", "step", "gap", "drift", "trains")


def mechanism(planted: str, rng: random.Random, size: float = 3.0) -> Mechanism:
    """A mechanism with one imperfection of `size` times the repeatability."""
    plain = Mechanism(250 + rng.uniform(-20, 20), 0.1 + rng.uniform(-0.02, 0.02), SCATTER, eye=0.1)
    amount = size * SCATTER * rng.choice([-1, 1])
    width = HIGH - LOW
    if planted == "period":
        wave = Eccentric(amount, rng.uniform(0.25, 0.7) * width, rng.uniform(0, 6.28))
        return replace(plain, imperfections=(wave,))
    if planted == "curvature":
        return replace(plain, imperfections=(Crank(LOW, HIGH, amount),))
    if planted == "step":
        return replace(
            plain, imperfections=(SlippedTooth(rng.uniform(LOW + 0.25 * width, HIGH - 0.25 * width), amount),)
        )
    if planted == "gap":
        return replace(plain, play=amount)
    if planted == "drift":
        return replace(plain, per_degree=amount / 5)
    if planted == "trains":
        return replace(plain, scatters={"freight": SCATTER * (1 + size)})
    return plain


def survey(truth: Mechanism, rng: random.Random, arrivals: int = 24, *, warms: bool = True) -> list[Pair]:
    """Trains come in at readings spread over the range, in any order; the crane comes from both sides to each."""
    step = (HIGH - LOW) / (arrivals - 1)
    inner = [round(LOW + (number + rng.uniform(-0.3, 0.3)) * step) for number in range(1, arrivals - 1)]
    readings = [LOW, *inner, HIGH]
    rng.shuffle(readings)
    pairs = []
    for number, reading in enumerate(readings):
        train = TRAINS[number % len(TRAINS)]
        degrees = (number / (arrivals - 1) - 0.5) * 10 if warms else 0.0
        stands = truth.arrival(reading, train, rng, degrees)
        for way in (Approach.UP, Approach.DOWN):
            at_s = 90.0 * number + (30 if way is Approach.UP else 60)
            found = truth.found(stands, way is Approach.UP, rng)
            pairs.append(Pair(reading, round(found, 3), way, train, at_s))
    return pairs
