"""What several breaches do to a node."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from protocol.guards import Order
from tests.faulty_nodes.matrix.injection import Injection


def reports(n: Injection, other: Callable[[Callable[..., None], dict[str, Any]], None]) -> None:
    """Replace how a report is made, before it has its seq."""
    n.wrap(n.node, "_report", lambda real, body: other(real, dict(body)))


def progress(n: Injection, other: Callable[[Callable[..., None], dict[str, Any]], None]) -> None:
    """The same for reports of the job that answer no order."""
    real_handle = n.node.desk.handle
    handling = [False]

    def handle(order: Order) -> None:
        handling[0] = True
        try:
            real_handle(order)
        finally:
            handling[0] = False

    n.node.desk.handle = handle  # type: ignore[method-assign]
    reports(n, lambda real, body: real(body) if handling[0] else other(real, body))


def cancel_job(n: Injection) -> None:
    """End the open job as cancelled, wherever it is."""
    node = n.node
    job = node.job
    if job is None or not job.is_open:
        return
    job.past_return = False
    node.cancel_job()
    node.report_job()
    finish = node.finish

    def later() -> None:
        if node.job is not job:
            finish()

    node.finish = later  # type: ignore[method-assign]


def accept_only(n: Injection, order: Order, then: str = "") -> None:
    """Answer 'accepted' to a job that never runs."""
    body = {"id": order["id"], "act": order["act"], "order_boot": order["boot"]}
    n.node._report({**body, "state": "accepted"})
    if then:
        n.node._report({**body, "state": then, "reason": "fault"})


def other_reason(n: Injection, reason: str, instead: str, act: str = "") -> None:
    """Refuse for another reason."""

    def refuse(real: Any, order: Order, why: str) -> None:
        real(order, instead if why == reason and act in ("", order["act"]) else why)

    n.does("refuse", refuse)
