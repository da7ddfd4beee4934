"""The judge of sets against the brute force: on small exchanges both say the same, at the same word."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.state_set import StateSet
from protocol.site_file import scenario
from tests.oracle.interleavings import BOOT, Exchange, exchange

SITE = scenario()


def judged(found: Exchange) -> int | None:
    """Number of the first word that the judge of sets does not allow."""
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(BOOT, fresh=True)
    [first] = states.states
    states.states = [first._replace(roles=(frozenset({"at-place"}),))]
    for number, (message, body) in enumerate(found.items):
        if message == "job-order":
            states.arrived(Arrived(number, float(number), body, late=False, bench=True))
        elif message == "job-report":
            if states.report(body) is not None:
                return number
        elif any(
            states.told(name, said) is not None
            for name, said in ((message, body), ("node-status", body), ("fault", {"faults": 0}))
        ):
            return number
    return None


@pytest.mark.parametrize("length", [3, 5, 7])
def test_it_agrees_with_every_interleaving_tried_one_by_one(length: int) -> None:
    rng = random.Random(length)
    verdicts: Counter[bool] = Counter()
    for _ in range(200):
        found = exchange(rng, length)
        expected = found.unexplained()
        assert judged(found) == expected, found.items
        verdicts[expected is None] += 1
    assert min(verdicts.values()) > 20, "the exchanges are not mixed"
