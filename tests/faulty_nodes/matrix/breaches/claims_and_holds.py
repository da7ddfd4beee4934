"""Breaches of claims and holds."""

from __future__ import annotations

from typing import Any

from protocol.counting import next_count
from protocol.guards import Order
from protocol.participant import Delivery
from protocol.validation import readable_body
from tests.faulty_nodes.matrix.breaches.acts import cancel_job, reports
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach


@breach("claim-leaves-mark")
def claim_leaves_mark(n: Injection) -> None:
    def claim(real: Any, order: Order, reason: str) -> None:
        before = n.node.mark
        real(order, reason)
        n.node.mark = before

    n.does("claim", claim)


@breach("claim-lowers-mark")
def claim_lowers_mark(n: Injection) -> None:
    def claim(real: Any, order: Order, reason: str) -> None:
        n.node.mark = min(n.node.mark, order["id"])
        real(order, reason)

    n.does("claim", claim)


@breach("claim-ends-job")
def claim_ends_job(n: Injection) -> None:
    def claim(real: Any, order: Order, reason: str) -> None:
        real(order, reason)
        cancel_job(n)

    n.does("claim", claim)


@breach("claimant-of-before")
def claimant_of_before(n: Injection) -> None:
    tokens: list[int] = []

    def note(order: Order) -> None:
        if order["act"] == "claim" and "token" in order and (not tokens or tokens[-1] != order["token"]):
            tokens.append(order["token"])

    def report(real: Any, body: dict[str, Any]) -> None:
        if "claimant" in body and len(tokens) > 1:
            body["claimant"] = tokens[-2]
        real(body)

    n._hears.append(lambda order, _: note(order))
    reports(n, report)


@breach("hold-for-all-ignored")
def hold_for_all_ignored(n: Injection) -> None:
    n.hears(lambda _order, delivery: [] if delivery.topic == n.node.inbox.topics[1] else None)


@breach("second-hold-uncounted")
def second_hold_uncounted(n: Injection) -> None:
    n.wrap(n.node, "hold", lambda real: None if n.node.held else real())


@breach("hold-ends-job")
def hold_ends_job(n: Injection) -> None:
    def hold(real: Any) -> None:
        real()
        cancel_job(n)

    n.wrap(n.node, "hold", hold)


@breach("hold-reported")
def hold_reported(n: Injection) -> None:
    def hold(real: Any) -> None:
        real()
        n.node._report({"id": max(1, n.node.mark), "act": "hold", "state": "done", "order_boot": n.node.boot})

    n.wrap(n.node, "hold", hold)


@breach("held-takes-job")
def held_takes_job(n: Injection) -> None:
    n.check("is_held", lambda right, order, node: False)


@breach("held-goes-on")
def held_goes_on(n: Injection) -> None:
    def hold(_real: Any) -> None:
        n.node.holds, n.node.held = next_count(n.node.holds), True
        n.node._tell_changes()

    n.wrap(n.node, "hold", hold)


@breach("any-count-resumes")
def any_count_resumes(n: Injection) -> None:
    n.check("holds_moved_on", lambda right, order, node: False)


@breach("resumed-job-dies")
def resumed_job_dies(n: Injection) -> None:
    def resume(_real: Any, _order: Order) -> None:
        n.node.held = False

    n.wrap(n.node, "resume", resume)


@breach("link-ends-hold")
def link_ends_hold(n: Injection) -> None:
    n.on_connecting(lambda: n.node.resume({}))


@breach("ask-for-all-answered")
def ask_for_all_answered(n: Injection) -> None:
    def read(real: Any, delivery: Delivery) -> Order | None:
        order: Order | None = real(delivery)
        if order is None and delivery.topic == n.node.inbox.topics[1]:
            there = readable_body("job-order", delivery.payload)
            order = there if there is not None and there["act"] == "ask" else None
        return order

    n.wrap(n.node.inbox, "read", read)
