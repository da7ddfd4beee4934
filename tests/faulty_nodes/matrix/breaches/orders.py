"""Breaches of how orders are answered, checked, repeated and cancelled."""

from __future__ import annotations

from typing import Any

from protocol.guards import Order
from protocol.specification import FINAL, specification
from tests.faulty_nodes.matrix.breaches.acts import accept_only, other_reason, progress, reports
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach

ANSWER = specification().timing["answer"].most or 0


@breach("unanswered")
def unanswered(n: Injection) -> None:
    def handle(real: Any, order: Order) -> None:
        said = n.node._report
        if order["act"] != "ask":
            n.node._report = lambda body: None  # type: ignore[method-assign]
        try:
            real(order)
        finally:
            n.node._report = said  # type: ignore[method-assign]

    n.wrap(n.node.desk, "handle", handle)


@breach("answers-late")
def answers_late(n: Injection) -> None:
    n.hears_late(n.beyond(ANSWER))


@breach("answers-in-reverse")
def answers_in_reverse(n: Injection) -> None:
    n.hears_late(10, in_reverse=True)


@breach("ask-before-states")
def ask_before_states(n: Injection) -> None:
    def tell(_real: Any, order: Order) -> None:
        n.node._report({"act": "ask", "state": "done", "token": order["token"]})
        n.node.tell_state()

    n.wrap(n.node, "tell_all", tell)


@breach("ask-without-fault")
def ask_without_fault(n: Injection) -> None:
    def tell(_real: Any, order: Order) -> None:
        for message in n.node.state_messages():
            if message != "fault":
                n.node._publish_state(message)
        n.node._report({"act": "ask", "state": "done", "token": order["token"]})

    n.wrap(n.node, "tell_all", tell)


@breach("ask-with-old-token")
def ask_with_old_token(n: Injection) -> None:
    tokens: list[int] = []

    def report(real: Any, body: dict[str, Any]) -> None:
        if len(tokens) > 1 and "token" in body:
            body["token"] = tokens[-2]
        real(body)

    n._hears.append(lambda order, _: tokens.append(order["token"]) if order["act"] == "ask" else None)
    reports(n, report)


@breach("ask-raises-mark")
def ask_raises_mark(n: Injection) -> None:
    def tell(real: Any, order: Order) -> None:
        real(order)
        n.node.raise_mark(n.node.mark + 1)

    n.wrap(n.node, "tell_all", tell)


@breach("ask-ends-hold")
def ask_ends_hold(n: Injection) -> None:
    def tell(real: Any, order: Order) -> None:
        real(order)
        n.node.resume({})

    n.wrap(n.node, "tell_all", tell)


@breach("other-boot-obeyed")
def other_boot_obeyed(n: Injection) -> None:
    n.check("other_boot", lambda right, order, node: False)


@breach("other-boot-raises-mark")
def other_boot_raises_mark(n: Injection) -> None:
    def decide(right: bool, order: Order, node: Any) -> bool:
        if right:
            node.raise_mark(order["id"])
        return right

    n.check("other_boot", decide)


@breach("repeat-done-again")
def repeat_done_again(n: Injection) -> None:
    def again(order: Order, node: Any) -> bool:
        return node.job is not None and not node.job.is_open and order["id"] == node.job.id

    n.check("repeat_of_job", lambda right, order, node: right and not again(order, node))
    n.check("at_or_below_mark", lambda right, order, node: right and not again(order, node))


@breach("repeat-is-stale")
def repeat_is_stale(n: Injection) -> None:
    n.check("repeat_of_job", lambda right, order, node: False)


@breach("repeat-of-other-act")
def repeat_of_other_act(n: Injection) -> None:
    n.check(
        "repeat_of_job",
        lambda right, order, node: right and node.job is not None and order["act"] == node.job.act,
    )


@breach("stale-obeyed")
def stale_obeyed(n: Injection) -> None:
    n.check("at_or_below_mark", lambda right, order, node: right and order["id"] != node.mark)


@breach("below-mark-obeyed")
def below_mark_obeyed(n: Injection) -> None:
    n.check("at_or_below_mark", lambda right, order, node: right and order["id"] >= node.mark)


@breach("refused-raises-no-mark")
def refused_raises_no_mark(n: Injection) -> None:
    def refuse(real: Any, order: Order, reason: str) -> None:
        if reason not in ("stale", "wrong-boot") and n.node.mark == order["id"]:
            n.node.mark = n.node.mark_before
        real(order, reason)

    n.does("refuse", refuse)


@breach("mark-lost-with-link")
def mark_lost_with_link(n: Injection) -> None:
    def lose() -> None:
        n.node.mark = 0

    n.on_connecting(lose)


@breach("refused-is-last-job")
def refused_is_last_job(n: Injection) -> None:
    last: dict[int, str] = {}
    real = n.node.desk._does["refuse"]

    def refuse(order: Order, reason: str) -> None:
        if reason == "stale" and order["id"] in last and n.on():
            reason = last[order["id"]]
        elif reason not in ("stale", "wrong-boot"):
            last.clear()
            last[order["id"]] = reason
        real(order, reason)

    n.node.desk._does["refuse"] = refuse


@breach("last-job-lost-by-refusal")
def last_job_lost_by_refusal(n: Injection) -> None:
    n.check(
        "repeat_of_job",
        lambda right, order, node: right and not (n.history.outcome == "refused" or node.mark > order["id"]),
    )


@breach("late-obeyed")
def late_obeyed(n: Injection) -> None:
    late: set[int] = set()

    def decide(right: bool, order: Order, _node: Any) -> bool:
        if right:
            late.add(order["id"])
        return False

    n.check("past_deadline", decide)
    real = n.node._end_late_job

    def end() -> None:
        if n.node.job is None or n.node.job.id not in late:
            real()

    n.node._end_late_job = end  # type: ignore[method-assign]


@breach("deadline-compared-unsigned")
def deadline_compared_unsigned(n: Injection) -> None:
    n.check(
        "past_deadline",
        lambda right, order, node: right or ("deadline" in order and order["deadline"] < node.uptime),
    )


@breach("busy-job-replaced")
def busy_job_replaced(n: Injection) -> None:
    def refuse(real: Any, order: Order, reason: str) -> None:
        if reason == "busy":
            accept_only(n, order)
        else:
            real(order, reason)

    n.does("refuse", refuse)


@breach("unsupported-as-mode")
def unsupported_as_mode(n: Injection) -> None:
    other_reason(n, "unsupported", "mode")


@breach("cancel-reported-by-own-id")
def cancel_reported_by_own_id(n: Injection) -> None:
    own: list[int] = [0]

    def report(real: Any, body: dict[str, Any]) -> None:
        if body.get("act") == "cancel":
            body["id"] = own[0]
        real(body)

    def note(order: Order) -> None:
        if order["act"] == "cancel":
            own[0] = order["id"]

    n._hears.append(lambda order, _: note(order))
    reports(n, report)


@breach("running-unsaid")
def running_unsaid(n: Injection) -> None:
    progress(n, lambda real, body: None if body["state"] == "running" else real(body))


@breach("done-before-it-is")
def done_before_it_is(n: Injection) -> None:
    early: set[int] = set()

    def report(real: Any, body: dict[str, Any]) -> None:
        if body["id"] in early:
            return
        if body["state"] == "running":
            early.add(body["id"])
            body = {name: value for name, value in body.items() if name != "step"} | {"state": "done"}
        real(body)

    progress(n, report)


@breach("end-reported-late")
def end_reported_late(n: Injection) -> None:
    def report(real: Any, body: dict[str, Any]) -> None:
        if body["state"] in FINAL:
            n.later(500, lambda: real(body))
        else:
            real(body)

    progress(n, report)


@breach("cancel-below-mark-stale")
def cancel_below_mark_stale(n: Injection) -> None:
    n.check("cancel_of_job", lambda right, order, node: right and order["id"] > node.mark)


@breach("cancel-of-ended-job")
def cancel_of_ended_job(n: Injection) -> None:
    def report(real: Any, body: dict[str, Any]) -> None:
        if body.get("act") == "cancel" and body["state"] in ("done", "failed"):
            body["state"] = "cancelled"
        real(body)

    reports(n, report)


@breach("cancel-of-unseen-forgotten")
def cancel_of_unseen_forgotten(n: Injection) -> None:
    def keep_out(real: Any, order: Order, reason: str) -> None:
        n.node.mark = n.node.mark_before
        real(order, reason)

    n.does("cancelled", keep_out)


@breach("cancel-of-later-answered")
def cancel_of_later_answered(n: Injection) -> None:
    n.check("cancel_of_later", lambda right, order, node: False)


@breach("accepted-starts-late")
def accepted_starts_late(n: Injection) -> None:
    n.wrap(n.node, "_end_late_job", lambda real: None)
