"""Breaches of the link: CONNECT, will, subscriptions, flags."""

from __future__ import annotations

from dataclasses import replace

from protocol.guards import Order
from protocol.participant import Delivery
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach
from tests.faulty_nodes.matrix.said import Said


@breach("kept-session")
def kept_session(n: Injection) -> None:
    n.shows_connect(lambda connect: replace(connect, clean_session=False))


@breach("keep-alive-none")
def keep_alive_none(n: Injection) -> None:
    n.keeps_alive(0)


@breach("keep-alive-beyond")
def keep_alive_beyond(n: Injection) -> None:
    n.keeps_alive(-(-15 * (100 + (n.percent or 0)) // 100))


@breach("will-of-first-link")
def will_of_first_link(n: Injection) -> None:
    n.wills(lambda _will: n.node._off(1))


@breach("will-not-retained")
def will_not_retained(n: Injection) -> None:
    n.wills(lambda will: replace(will, retain=False))


@breach("all-forgotten")
def all_forgotten(n: Injection) -> None:
    n.subscribes(lambda wanted: wanted[:1])


@breach("subscribes-at-qos-0")
def subscribes_at_qos_0(n: Injection) -> None:
    n.subscribes(lambda wanted: [(topic, 0) for topic, _ in wanted])


@breach("state-before-status")
def state_before_status(n: Injection) -> None:
    real = n.node.tell_state

    def tell() -> None:
        names = n.node.state_messages()
        for name in [names[1], names[0], *names[2:]]:
            n.node._publish_state(name)

    connected = n.node.connected

    def other(now_ms: int) -> object:
        n.node.tell_state = tell if n.on() else real  # type: ignore[method-assign]
        try:
            return connected(now_ms)
        finally:
            n.node.tell_state = real  # type: ignore[method-assign]

    n.node.connected = other  # type: ignore[assignment,method-assign]


@breach("link-count-stuck")
def link_count_stuck(n: Injection) -> None:
    def stay() -> None:
        n.node.link -= 1

    n.on_connecting(stay)
    n.wills(lambda _will: n.node._off(n.node.link))


@breach("link-count-by-two")
def link_count_by_two(n: Injection) -> None:
    def skip() -> None:
        n.node.link += 1

    n.on_connecting(skip)
    n.wills(lambda _will: n.node._off(n.node.link + 2))


@breach("other-client-id")
def other_client_id(n: Injection) -> None:
    n.shows_connect(
        lambda connect: replace(connect, client_id=f"{connect.client_id[:6]}-{n.history.connects}")
    )


def _clear(said: Said) -> None:
    said.retain = False


def _set(said: Said) -> None:
    said.retain = True


@breach("state-not-retained")
def state_not_retained(n: Injection) -> None:
    n.alters("state", _clear)


@breach("fault-not-retained")
def fault_not_retained(n: Injection) -> None:
    n.alters("fault", _clear)


@breach("report-retained")
def report_retained(n: Injection) -> None:
    n.alters("job-report", _set)


@breach("retained-order-obeyed")
def retained_order_obeyed(n: Injection) -> None:
    def hear(_order: Order, delivery: Delivery) -> list[Delivery] | None:
        return [replace(delivery, retain=False)] if delivery.retain else None

    n.hears(hear)


@breach("report-at-qos-2")
def report_at_qos_2(n: Injection) -> None:
    def alter(said: Said) -> None:
        n.record.at_qos_2.add(said.plain)

    n.alters("job-report", alter)


@breach("status-before-subscribe")
def status_before_subscribe(n: Injection) -> None:
    n.shows_status_first()
