"""Situations on the link: what a connection began with, what was sent again, what came when."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from conformance.oracle.link_log import Message
from conformance.tester.hints.scene import Scene
from protocol.specification import STATE_MESSAGES, specification
from protocol.topics import parse_topic
from protocol.validation import read_message
from protocol.wire.packet import Ack, Connect, Kind, Ping, Publish, Subscribe

THOUSANDS_S = 1000
"""A keep-alive of so many seconds was meant in ms."""


def _connect(scene: Scene) -> Connect | None:
    trace = scene.trace
    return trace.packet if trace is not None and isinstance(trace.packet, Connect) else None


def _no_keep_alive(scene: Scene) -> bool:
    connect = _connect(scene)
    return connect is not None and connect.keep_alive == 0


def _keep_alive_in_ms(scene: Scene) -> bool:
    connect = _connect(scene)
    return connect is not None and connect.keep_alive >= THOUSANDS_S


def _never_pinged(scene: Scene) -> bool:
    return not any(isinstance(one.packet, Ping) and one.from_node for one in scene.log.traces)


def _will_not_retained(scene: Scene) -> bool:
    connect = _connect(scene)
    return connect is not None and connect.will is not None and not connect.will.retain


def _will(scene: Scene) -> dict[str, object]:
    connect = _connect(scene)
    if connect is None or connect.will is None:
        return {}
    return dict(read_message("node-status", connect.will.payload, closed=True).body or {})


def _will_repeats_all(scene: Scene) -> bool:
    return set(_will(scene)) > {"boot", "link", "state"}


def _will_of_the_count_before(scene: Scene) -> bool:
    will, trace = _will(scene), scene.trace
    if trace is None or "link" not in will:
        return False
    said = next((m.body for m in scene.log.sent("node-status", trace.number) if m.body), {})
    return said.get("boot") == will["boot"] and said.get("link") == (int(str(will["link"])) + 1) % 65536


def _filters(scene: Scene) -> dict[str, int]:
    """Topic filters of the connection that shows it, with their QoS; of all connections where none does."""
    trace = None if scene.broken.at is None else scene.trace
    traces = scene.log.traces if trace is None else scene.of_connection(trace.connection)
    packets = (one.packet for one in traces if one.from_node)
    return {
        one.filter: one.qos
        for packet in packets
        if isinstance(packet, Subscribe)
        for one in packet.subscriptions
    }


def _wildcard(scene: Scene) -> bool:
    return any("+" in one or "#" in one for one in _filters(scene))


def _not_for_all(scene: Scene) -> bool:
    found = _filters(scene)
    everyone = f"/{specification().everyone}/job-order"
    return bool(found) and not any(one.endswith(everyone) or "+" in one or "#" in one for one in found)


def _subscribed_at_0(scene: Scene) -> bool:
    return any(one.endswith("/job-order") and qos == 0 for one, qos in _filters(scene).items())


def _never_subscribed_again(scene: Scene) -> bool:
    """Another connection than the node's first, on which nobody has subscribed."""
    trace = scene.trace
    if trace is None:
        return False
    first = next((one.connection for one in scene.log.traces if isinstance(one.packet, Subscribe)), 0)
    own = scene.of_connection(trace.connection)
    return 0 < first < trace.connection and not any(isinstance(one.packet, Subscribe) for one in own)


def _subscribed_behind(scene: Scene) -> bool:
    """Its node-status came first, and on the same connection it has subscribed behind that."""
    shown = scene.shown
    if shown is None or shown.name != "node-status":
        return False
    own = scene.of_connection(shown.trace.connection)
    return any(isinstance(one.packet, Subscribe) and one.number > shown.number for one in own)


def _other_state_first(scene: Scene) -> bool:
    shown = scene.shown
    return shown is not None and shown.name in STATE_MESSAGES and shown.name != "node-status"


def _sent_again(scene: Scene) -> bool:
    return scene.shown is not None and isinstance(p := scene.shown.trace.packet, Publish) and p.dup


def _said_before(scene: Scene) -> bool:
    """It is sent again, or the very same bytes came on that topic before."""
    shown = scene.shown
    if shown is None:
        return False
    before = (m for m in scene.log.sent(shown.name) if m.number < shown.number)
    return _sent_again(scene) or any((m.topic, m.payload) == (shown.topic, shown.payload) for m in before)


def _statuses(scene: Scene) -> list[Message]:
    return [m for m in scene.said("node-status") if m.body.get("state") == "on" and "link" in m.body]


def _same_link(scene: Scene) -> bool:
    """Its connection count is that of its connection before."""
    said = _statuses(scene)
    if not said:
        return False
    now = said[0]
    before = next((m for m in said if m.trace.connection < now.trace.connection), None)
    same = before is not None and before.body["boot"] == now.body["boot"]
    return same and before is not None and before.body["link"] == now.body["link"]


def _back_too_soon(scene: Scene) -> bool:
    trace = scene.trace
    if trace is None or _connect(scene) is None:
        return False
    before = (one.at_ms for one in reversed(scene.log.traces) if one.connection < trace.connection)
    return trace.at_ms - next(before, trace.at_ms) < (specification().timing["reconnect"].least or 0)


def _other_client_id(scene: Scene) -> bool:
    names = [connect.client_id for trace, connect in scene.log.connects() if trace.number <= scene.at]
    return any(before != after for before, after in pairwise(names))


def _retained_order(scene: Scene) -> bool:
    return scene.order is not None and scene.order.retain


def _acknowledged_late(scene: Scene) -> bool:
    """The order that shows it was acknowledged in the end."""
    trace = scene.trace
    if trace is None or not isinstance(trace.packet, Publish):
        return False
    number = trace.packet.packet_id
    return any(
        isinstance(one.packet, Ack) and one.packet.kind is Kind.PUBACK and one.packet.packet_id == number
        for one in scene.of_connection(trace.connection)
        if one.number > trace.number
    )


def for_all(order: Message) -> bool:
    """Whether an order came on the topic of 'all'."""
    return parse_topic(order.topic).node == specification().everyone


ON_THE_LINK: dict[str, Callable[[Scene], bool]] = {
    "no-keep-alive": _no_keep_alive,
    "keep-alive-in-ms": _keep_alive_in_ms,
    "never-pinged": _never_pinged,
    "will-not-retained": _will_not_retained,
    "will-repeats-all": _will_repeats_all,
    "will-of-the-count-before": _will_of_the_count_before,
    "wildcard": _wildcard,
    "not-for-all": _not_for_all,
    "subscribed-at-0": _subscribed_at_0,
    "never-subscribed-again": _never_subscribed_again,
    "subscribed-behind": _subscribed_behind,
    "other-state-first": _other_state_first,
    "sent-again": _sent_again,
    "said-before": _said_before,
    "same-link": _same_link,
    "nothing-came": lambda scene: scene.nothing_came,
    "back-too-soon": _back_too_soon,
    "other-client-id": _other_client_id,
    "retained-order": _retained_order,
    "acknowledged-late": _acknowledged_late,
}
