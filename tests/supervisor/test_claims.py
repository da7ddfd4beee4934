"""Two supervisors that draw one number for their claims; and what a claim takes from the orders of before.

Both are ways that the exploration found (budget `second, same draw` without SUP-30, budget `give-up` without SUP-29).
"""

from __future__ import annotations

from random import Random
from typing import Any, ClassVar

from protocol.machine_guards import MACHINE_GUARDS
from protocol.site_file import scenario
from protocol.state_machine import Guards
from reference_node.supervisor.observe.session import Session
from tests.supervisor.one_node import OneNode


class SameDraw(Random):
    """Whatever is drawn of 12 bits, the random part of a claim, is the same for everybody."""

    def getrandbits(self, k: int) -> int:
        return 5 if k == 12 else super().getrandbits(k)


class WithoutClaimants(Session):
    """As it was before a claim carried a token: who is answered with its number holds the node for its own."""

    guards: ClassVar[Guards] = {**MACHINE_GUARDS, "claimant_is_other": lambda _facts: False}


def _both_own_it(kind: type[Session]) -> bool:
    """Two ask, claim with one number, and hear all that the node says: whether both ever hold it for theirs."""
    node = OneNode()
    sessions = [kind(scenario().nodes["north"], SameDraw(seed)) for seed in (1, 2)]

    def say(message: str, *, retain: bool = False, **fields: Any) -> None:
        body = {"boot": node.boot, "seq": 0, "uptime": node.uptime, **fields}
        for session in sessions:
            session.hear(message, body, retain=retain, now_ms=node.now_ms)

    node.say = say  # type: ignore[method-assign]
    claims: list[int] = []
    for _ in range(3):
        due = [(session, session.due(node.now_ms)) for session in sessions]  # before either is answered
        claims += [body["id"] for _, bodies in due for body in bodies if body["act"] == "claim"]
        for session, bodies in due:
            node.session = session
            session.due = lambda _now_ms, bodies=bodies: list(bodies)  # type: ignore[method-assign,misc]
            node.answers()
            del session.due
        if all(session.owned for session in sessions):
            return True
    assert claims[0] == claims[1], "both drew one number"
    assert any(session.owned for session in sessions)
    return False


def test_of_two_that_drew_one_number_one_owns_the_node() -> None:
    assert not _both_own_it(Session)


def test_without_a_token_both_do() -> None:
    assert _both_own_it(WithoutClaimants)


def test_a_job_that_is_given_up_goes_out_no_more() -> None:
    """A person may be told meanwhile that nothing moves there: its repeat would be obeyed after the answer."""
    node = OneNode()
    session = node.owned()
    job = session.order("park", node.now_ms)
    assert [body["act"] for body in node.due()] == ["park"]
    session.give_up(job)
    for _ in range(3):
        node.later(1_000)
        assert "park" not in [body["act"] for body in node.due()]
    for _ in range(6):
        node.later(1_000)
        node.state()
        assert "park" not in [body["act"] for body in node.answers()]
    assert (session.owned, job.state, session.open) == (True, "unknown", {})
