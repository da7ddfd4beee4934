"""The judge of sets against the brute force: on small exchanges both say the same, at the same word."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.state_set import WIDEST, StateSet
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


def crowded() -> StateSet:
    """After forty orders that may each have been lost, and one word of the node."""
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(BOOT, fresh=True)
    for number in range(1, 41):
        body = {"act": "claim", "boot": BOOT, "id": number}
        states.arrived(Arrived(number, float(number), body, sure=False, late=False, bench=True))
    assert states.report(answer(1)) is None
    return states


def answer(id_: int) -> dict[str, object]:
    """The report on a claim."""
    return {"act": "claim", "id": id_, "order_boot": BOOT, "state": "done", "mark": id_}


def asked(states: StateSet, number: int) -> None:
    """An ask comes whose token is its trace number, and all that it is answered with."""
    body = {"act": "ask", "token": number}
    states.arrived(Arrived(number, float(number), body, late=False, bench=True))
    assert states.report(body | {"state": "done", "mark": 40}) is None


def test_however_many_orders_may_be_lost_the_states_stay_few() -> None:
    states = crowded()
    assert len(states.states) <= WIDEST
    assert not states.sure
    assert states.waiting


def test_where_too_much_is_open_nothing_is_said_until_a_later_ask_is_answered() -> None:
    states = crowded()
    assert states.report(answer(39)) is None
    assert states.report(answer(2)) is None, "what may be wrong is passed over"
    asked(states, 100)
    assert not states.waiting
    states.arrived(Arrived(101, 101.0, {"act": "ask", "token": 101}, late=False, bench=True))
    found = states.overdue(5000.0, 1000.0)
    assert found is not None
    assert found.requirement == "ORD-01"


def test_a_token_that_was_used_before_is_no_fence() -> None:
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(BOOT, fresh=True)
    states.arrived(Arrived(1, 1.0, {"act": "ask", "token": 5}, late=False, bench=True))
    states.lost_some()
    asked_again = Arrived(2, 2.0, {"act": "ask", "token": 5}, late=False, bench=True)
    states.arrived(asked_again)
    assert states.report({"act": "ask", "token": 5, "state": "done", "mark": 0}) is None
    assert states.waiting
