"""Letters that are no orders of a supervisor: the link, rubbish, sensors, the end of a job, a hand at the crane."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from conformance.suite.walk.desk import Desk
from conformance.suite.walk.letters import FAILURE, SHORT_OF_WRAP_MS, Letter, Numbers, Order, to_node
from protocol.counting import UPTIME_MODULUS
from protocol.site import NodeSite
from protocol.specification import Specification


def happenings(spec: Specification, motion: bool) -> Iterator[Letter]:
    """What befalls a node of any role."""
    yield Letter("unreadable", "an order that cannot be read", kind="bytes")
    yield Letter(
        "tail", "an order with something behind it", kind="bytes", order=_half_obeyed, written="tail"
    )
    if "HLD-07" in spec.requirements:
        yield Letter(
            "for-all", "an order for all that is no hold", kind="bytes", order=_half_obeyed, written="all"
        )
    yield Letter("reconnect", "a connection lost and found", kind="link")
    yield Letter(
        "set-uptime",
        "uptime set to just before its wrap",
        order=lambda n: to_node("set-uptime", n, uptime=UPTIME_MODULUS - SHORT_OF_WRAP_MS),
    )
    yield Letter(
        "power-failure",
        "motor power lost and found",
        kind="sensors",
        order=_stimulus(FAILURE),
        happens="power-failure",
    )
    if motion:
        yield Letter(
            "finish", "the job comes to its end", kind="play", happens="finish", applies=_ends, moves=True
        )


def _half_obeyed(n: Numbers) -> Order:
    """An order that must not be read: its effect would show in the mark, in the hold or in a report."""
    return (
        {"act": "ask", "token": n.chance},
        to_node("claim", n, token=n.chance),
        to_node("resume", n, holds=n.holds),
        to_node("cancel", n, ref=n.job or n.stale),
    )[n.chance % 4]


def _ends(desk: Desk) -> bool:
    return desk.job == "running" and not desk.held


def _stimulus(inputs: tuple[tuple[str, bool, int], ...]) -> Callable[[Numbers], Order]:
    return lambda n: to_node("stimulus", n, inputs=[list(one) for one in inputs])


def sensors(node: NodeSite, spec: Specification) -> Iterator[Letter]:
    """What sensors tell beside the end of a job."""

    def still(desk: Desk) -> bool:
        return not desk.open

    if node.berth:
        berth = node.roles.index("berth")
        arming = (("arming", True, 40), ("arming", False, 40))
        pulse = (("end", True, 40), ("end", False, 40))
        yield Letter(
            "arming",
            "a train comes to the arming sensor",
            kind="sensors",
            order=_stimulus(arming),
            happens="arming",
            applies=lambda desk: desk.machines[berth] == "admitting" and _ends(desk),
        )
        yield Letter(
            "early-end",
            "the end sensor before the arming sensor",
            kind="sensors",
            order=_stimulus(pulse),
            happens="early-end",
            applies=lambda desk: desk.machines[berth] == "admitting" and _ends(desk),
        )
        if "BER-10" in spec.requirements:
            yield Letter(
                "pushed",
                "a train moves with nothing ordered",
                kind="sensors",
                order=_stimulus(pulse),
                happens="pushed",
                applies=still,
            )
    if node.shuttle and "SHT-07" in spec.requirements:
        pulse = (("stop-1", True, 40), ("stop-1", False, 40))
        yield Letter(
            "pushed",
            "the shuttle moves with nothing ordered",
            kind="sensors",
            order=_stimulus(pulse),
            happens="pushed",
            applies=still,
        )
    if node.crane and node.crane.load_sensor:

        def unpicked(desk: Desk) -> bool:
            return _ends(desk) and desk.act == "transfer" and not desk.picked

        yield Letter(
            "grip", "the spreader grips the box", kind="play", happens="grip", applies=unpicked, moves=True
        )
        yield Letter(
            "miss",
            "the spreader closes on nothing",
            kind="play",
            happens="miss",
            applies=unpicked,
            moves=True,
        )


def by_hand() -> Iterator[Letter]:
    """The switch with which a crane is taken by hand: no message plays it."""

    def closed(desk: Desk) -> bool:
        return not desk.open and "manual" not in desk.machines

    yield Letter(
        "by-hand", "somebody takes the crane by hand", kind="hand", happens="by-hand", applies=closed
    )
    yield Letter(
        "by-hand-end",
        "the crane is let go",
        kind="hand",
        happens="by-hand-end",
        applies=lambda desk: "manual" in desk.machines,
    )
