"""Breaches of cranes, berths and shuttles, and of the bench."""

from __future__ import annotations

from typing import Any, cast

from protocol.guards import Order
from reference_node.roles.berth import Berth
from reference_node.roles.shuttle import Shuttle
from tests.faulty_nodes.matrix.breaches.acts import accept_only, other_reason
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach
from tests.faulty_nodes.matrix.said import Said


def role(n: Injection) -> Any:
    """Its one role."""
    return next(iter(n.node.roles.values()))


@breach("homed-after-link")
def homed_after_link(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["axes"] = [[at, target, True] for at, target, _ in said.body["axes"]]

    n.alters("crane-status", alter)


def _accepts(n: Injection, reason: str, act: str, then: str = "") -> None:
    def refuse(real: Any, order: Order, why: str) -> None:
        if (why, order["act"]) == (reason, act):
            accept_only(n, order, then)
        else:
            real(order, why)

    n.does("refuse", refuse)


@breach("unhomed-takes-park")
def unhomed_takes_park(n: Injection) -> None:
    _accepts(n, "mode", "park")


@breach("reach-beyond")
def reach_beyond(n: Injection) -> None:
    axes = n.node.node.crane.axes if n.node.node.crane else ()

    def decide(right: bool, order: Order, _node: Any) -> bool:
        if not right or order["act"] != "jog" or len(order["target"]) != len(axes):
            return right
        for axis, at in zip(axes, order["target"], strict=True):
            more = (axis.most - axis.least) * (n.percent or 0) // 100
            if not axis.least - more <= at <= axis.most + more:
                return True
        cast(dict[str, Any], order)["target"] = [
            min(max(at, axis.least), axis.most) for axis, at in zip(axes, order["target"], strict=True)
        ]
        return False

    n.check("out_of_reach", decide)


@breach("unknown-place-taken")
def unknown_place_taken(n: Injection) -> None:
    other_reason(n, "place", "reach", "transfer")


@breach("reading-beyond")
def reading_beyond(n: Injection) -> None:
    crane = n.node.node.crane
    tables = [place.table for place in crane.places.values() if place.table] if crane else []

    def decide(right: bool, order: Order, _node: Any) -> bool:
        if not right or not tables:
            return right
        low, high = tables[0][0][0], tables[0][-1][0]
        more = (high - low) * (n.percent or 0) // 100
        if not low - more <= order["reading"] <= high + more:
            return True
        cast(dict[str, Any], order)["reading"] = min(max(order["reading"], low), high)
        return False

    n.check("outside_table", decide)


@breach("position-off-target")
def position_off_target(n: Injection) -> None:
    def alter(said: Said) -> None:
        if said.body["mode"] == "ready" and said.body.get("job_state") == "done":
            at, target, homed = said.body["axes"][0]
            said.body["axes"] = [[at + 3, target, homed], *said.body["axes"][1:]]

    n.alters("crane-status", alter)


@breach("wrong-state-admitted")
def wrong_state_admitted(n: Injection) -> None:
    _accepts(n, "state", "admit", "failed")


@breach("ignored-uncounted")
def ignored_uncounted(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body["ignored"] = 0

    n.alters("train-arrival", alter)


@breach("arrival-uncounted")
def arrival_uncounted(n: Injection) -> None:
    berth: Berth = role(n)

    def accept(real: Any, order: Order, now_ms: int) -> None:
        before = berth.count
        real(order, now_ms)
        berth.count = before

    n.wrap(berth, "accept", accept)


@breach("reading-of-before")
def reading_of_before(n: Injection) -> None:
    readings: dict[int, int] = {}

    def note(said: Said) -> None:
        if "reading" in said.body:
            readings.setdefault(said.body["arrival"], said.body["reading"])

    def alter(said: Said) -> None:
        before = readings.get(said.body["arrival"] - 1)
        if "reading" in said.body and before is not None:
            said.body["reading"] = before

    n._alters.append(lambda said: note(said))
    n.alters("train-arrival", alter)


@breach("lost-found-by-itself")
def lost_found_by_itself(n: Injection) -> None:
    def reset(real: Any, order: Order, now_ms: int) -> None:
        real({**order, "found": "none"}, now_ms)

    n.wrap(role(n), "reset_fault", reset)


@breach("push-unnoticed")
@breach("push-of-shuttle-unnoticed")
def push_unnoticed(n: Injection) -> None:
    n.wrap(role(n), "was_pushed", lambda real, *args: False)


@breach("stop-uncounted")
def stop_uncounted(n: Injection) -> None:
    shuttle: Shuttle = role(n)

    def stand(real: Any, place: str) -> None:
        before = shuttle.count
        real(place)
        shuttle.count = before

    n.wrap(shuttle, "_stand", stand)


@breach("wrong-place-run")
def wrong_place_run(n: Injection) -> None:
    other_reason(n, "place", "state", "run")


@breach("set-uptime-raises-holds")
def set_uptime_raises_holds(n: Injection) -> None:
    def put(real: Any, uptime: int, now_ms: int) -> None:
        real(uptime, now_ms)
        n.node.resume({})

    n.wrap(n.node._uptime, "set", put)


@breach("stimulus-too-early")
def stimulus_too_early(n: Injection) -> None:
    def add(real: Any, inputs: Any, now_ms: int) -> None:
        real([(sensor, level, 0) for sensor, level, _ in inputs], now_ms)

    n.wrap(n.node.player, "add", add)
