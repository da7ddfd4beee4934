"""Breaches chosen with the code at hand: what firmware gets wrong, to be crossed with contexts by a covering array."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from protocol.counting import next_count
from protocol.guards import Order
from tests.faulty_nodes.matrix.breaches.acts import cancel_job, other_reason, reports
from tests.faulty_nodes.matrix.breaches.faults import start_a_motor
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import Plant, breach
from tests.faulty_nodes.matrix.said import Said

EVERY = ("north", "siding", "ferry")


@dataclass(frozen=True, slots=True)
class Firmware:
    """One breach, and in which nodes it can be planted."""

    requirement: str
    says: str
    nodes: tuple[str, ...] = EVERY


FIRMWARE: dict[str, Firmware] = {}


def firmware(name: str, requirement: str, says: str, *nodes: str) -> Callable[[Plant], Plant]:
    """Enter a breach of this list."""
    FIRMWARE[name] = Firmware(requirement, says, nodes or EVERY)
    return breach(name)


def said(
    name: str, requirement: str, messages: str, says: str, change: Callable[[dict[str, Any]], None]
) -> None:
    """Enter a breach of what is said."""

    def plant(n: Injection) -> None:
        def alter(one: Said) -> None:
            change(one.body)

        n.alters(messages, alter)

    firmware(name, requirement, says)(plant)


def less(field: str) -> Callable[[dict[str, Any]], None]:
    """One lower than it is, where it is above 0."""

    def change(body: dict[str, Any]) -> None:
        if body.get(field, 0) > 0:
            body[field] -= 1

    return change


def put(field: str, value: Any) -> Callable[[dict[str, Any]], None]:
    """Another value, where the field is there."""

    def change(body: dict[str, Any]) -> None:
        if field in body:
            body[field] = value

    return change


said(
    "holds-behind",
    "HLD-01",
    "state",
    "The count of holds in the state of the machine is one lower than it is.",
    less("holds"),
)
said(
    "held-denied", "HLD-01", "state", "The state of the machine says that it is not held.", put("held", False)
)
said("job-id-behind", "MSG-10", "state", "The state of the machine names a job id one lower.", less("job"))
said(
    "link-behind",
    "LNK-09",
    "node-status",
    "The connection count in node-status is one lower than it is.",
    less("link"),
)
said(
    "starts-behind",
    "BEN-03",
    "node-status",
    "The count of motor starts is one lower than it is.",
    less("starts"),
)
said(
    "status-mark-behind",
    "MSG-11",
    "node-status",
    "The mark in node-status is one lower than it is.",
    less("mark"),
)
said(
    "other-reset-cause",
    "MSG-12",
    "node-status",
    "node-status says another reset cause.",
    put("reset", "watchdog"),
)
said("other-minor", "MSG-12", "node-status", "node-status says another minor version.", put("minor", 0))
said("other-buffer", "MSG-12", "node-status", "node-status says another receive buffer.", put("buffer", 1024))
said("other-level", "FLT-01", "fault", "The level in fault is that of another fault.", put("level", "warn"))
said("no-fault-told", "FLT-01", "fault", "fault carries no active fault at all.", put("active", []))


def other_order_boot(body: dict[str, Any]) -> None:
    """The boot that follows."""
    if "order_boot" in body:
        body["order_boot"] = next_count(body["order_boot"])


said(
    "order-boot-wrong",
    "ORD-14",
    "job-report",
    "The boot of the order in a report is another.",
    other_order_boot,
)
said("inputs-stuck", "MSG-14", "state", "The inputs are all said to be open.", put("inputs", 0))
said(
    "report-mark-behind",
    "CLM-02",
    "job-report",
    "The mark in a report is one lower than it is.",
    less("mark"),
)

REASONS = (
    ("held-as-busy", "HLD-03", "held", "busy", EVERY),
    ("busy-as-held", "ORD-12", "busy", "held", EVERY),
    ("late-as-stale", "ORD-10", "late", "stale", EVERY),
    ("wrong-boot-as-stale", "ORD-05", "wrong-boot", "stale", EVERY),
    ("holds-count-as-stale", "HLD-04", "holds-count", "stale", EVERY),
    ("fault-count-as-stale", "FLT-04", "fault-count", "stale", EVERY),
    ("mode-as-busy", "CRN-03", "mode", "busy", ("north",)),
    ("state-as-busy", "BER-03", "state", "busy", ("siding",)),
    ("stop-state-as-busy", "SHT-03", "state", "busy", ("ferry",)),
)


def _refusals() -> None:
    for name, requirement, reason, instead, where in REASONS:

        def plant(n: Injection, _reason: str = reason, _instead: str = instead) -> None:
            other_reason(n, _reason, _instead)

        firmware(
            name, requirement, f"Refuses with '{instead}' what has to be refused with '{reason}'.", *where
        )(plant)


_refusals()


@firmware("hold-counted-twice", "HLD-01", "A hold raises the count of holds by two.")
def hold_counted_twice(n: Injection) -> None:
    def hold(real: Any) -> None:
        n.node.holds = next_count(n.node.holds)
        real()

    n.wrap(n.node, "hold", hold)


@firmware("resume-forgotten", "HLD-05", "A resume is answered 'done' and does not end the hold.")
def resume_forgotten(n: Injection) -> None:
    n.wrap(n.node, "resume", lambda real, order: None)


@firmware(
    "cancel-in-name-only", "ORD-17", "A cancel of an open job is answered 'cancelled', and the job goes on."
)
def cancel_in_name_only(n: Injection) -> None:
    def report(real: Any, body: dict[str, Any]) -> None:
        if body.get("act") == "cancel" and n.node.job_open:
            body["state"] = "cancelled"
            body.pop("reason", None)
        real(body)

    n.wrap(n.node, "cancel_job", lambda real: None)
    reports(n, report)


@firmware("claim-refused", "CLM-01", "A claim above the mark is refused with 'stale'.")
def claim_refused(n: Injection) -> None:
    n.does("claim", lambda real, order, reason: n.node.answer(order, "refused", "stale"))


@firmware("set-uptime-forgotten", "BEN-04", "set-uptime is answered 'done', and uptime goes on as it was.")
def set_uptime_forgotten(n: Injection) -> None:
    n.wrap(n.node._uptime, "set", lambda real, uptime, now_ms: None)


@firmware("stimulus-forgotten", "BEN-02", "A stimulus is answered 'done' and not played.")
def stimulus_forgotten(n: Injection) -> None:
    n.wrap(n.node.player, "add", lambda real, inputs, now_ms: None)


@firmware("bad-message-ends-hold", "ENC-10", "An order that cannot be read ends a hold.")
def bad_message_ends_hold(n: Injection) -> None:
    def came(real: Any) -> None:
        real()
        n.node.resume({})

    n.wrap(n.node.bad_messages, "came", came)


@firmware(
    "bad-message-ends-job", "ENC-10", "An order that cannot be read cancels the open job.", "north", "ferry"
)
def bad_message_ends_job(n: Injection) -> None:
    def came(real: Any) -> None:
        real()
        cancel_job(n)

    n.wrap(n.node.bad_messages, "came", came)


@firmware("hold-unhonoured", "HLD-01", "A hold on the node's own topic is not obeyed.")
def hold_unhonoured(n: Injection) -> None:
    own = n.node.inbox.topics[0]
    n.hears(lambda order, delivery: [] if order["act"] == "hold" and delivery.topic == own else None)


@firmware("motor-by-ask", "ORD-04", "An ask switches a motor on.")
def motor_by_ask(n: Injection) -> None:
    def tell(real: Any, order: Order) -> None:
        start_a_motor(n)
        real(order)

    n.wrap(n.node, "tell_all", tell)


@firmware("motor-by-refusal", "ORD-20", "An order that is refused switches a motor on.")
def motor_by_refusal(n: Injection) -> None:
    def refuse(real: Any, order: Order, reason: str) -> None:
        if reason not in ("stale", "wrong-boot"):
            start_a_motor(n)
        real(order, reason)

    n.does("refuse", refuse)


@firmware("motor-by-claim", "CLM-03", "A claim switches a motor on.")
def motor_by_claim(n: Injection) -> None:
    def claim(real: Any, order: Order, reason: str) -> None:
        real(order, reason)
        start_a_motor(n)

    n.does("claim", claim)


@firmware("motor-by-hold", "HLD-03", "A hold switches a motor on.")
def motor_by_hold(n: Injection) -> None:
    def hold(real: Any) -> None:
        real()
        start_a_motor(n)

    n.wrap(n.node, "hold", hold)


@firmware(
    "reset-fault-forgotten", "FLT-04", "A reset-fault with the right count is refused with 'fault-count'."
)
def reset_fault_forgotten(n: Injection) -> None:
    n.check("faults_moved_on", lambda right, order, node: right or order["act"] == "reset-fault")


@firmware("resume-refused", "HLD-05", "A resume with the right count is refused with 'holds-count'.")
def resume_refused(n: Injection) -> None:
    n.check("holds_moved_on", lambda right, order, node: right or order["act"] == "resume")


@firmware("fit-job-late", "ORD-10", "A job in time is refused with 'late'.")
def fit_job_late(n: Injection) -> None:
    n.check("past_deadline", lambda right, order, node: right or "deadline" in order)


@firmware("repeat-of-open-job-busy", "ORD-06", "A repeat of the open job is refused with 'busy'.")
def repeat_of_open_job_busy(n: Injection) -> None:
    def again(order: Order, node: Any) -> bool:
        return node.job is not None and node.job.is_open and order["id"] == node.job.id

    n.check("repeat_of_job", lambda right, order, node: right and not again(order, node))
    n.check("at_or_below_mark", lambda right, order, node: right and not again(order, node))
