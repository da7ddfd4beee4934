"""Letters that are orders and move nothing: old ids, other boots, cancels, holds, counts that have moved on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from conformance.suite.walk.desk import Desk
from conformance.suite.walk.letters import Letter, Numbers, Order, to_node
from protocol.counting import next_count
from protocol.site import NodeSite
from protocol.specification import Specification


def _has_job(desk: Desk) -> bool:
    return desk.job != "none"


def orders(node: NodeSite, spec: Specification, job: Callable[[Numbers], Order] | None) -> Iterator[Letter]:
    """Orders that move nothing: how ids, boots, counts and findings relate to the node's own.

    `job` makes one that the node takes when it can; None where the machine may not move.
    """

    def foreign(n: Numbers, **numbers: int) -> Order:
        """An order that must not be obeyed: a job where the machine may move, else one without motion."""
        if job is not None and n.chance % 2:
            return job(n) | numbers
        return to_node("resume", n, holds=next_count(n.holds)) | numbers

    yield Letter("claim", "a claim above the mark", order=_claim)
    yield Letter("strange", "a claim with a field that nobody knows", order=_claim, written="strange")
    yield Letter(
        "claim-again", "a claim with the mark as its id", order=lambda n: to_node("claim", n) | {"id": n.mark}
    )
    yield Letter(
        "claim-old",
        "a claim below the mark",
        order=lambda n: to_node("claim", n) | {"id": max(1, n.mark - 1 - n.chance % 5)},
    )
    yield Letter("other-boot", "an order for another boot", order=lambda n: foreign(n, boot=n.other_boot))
    yield Letter("stale", "an id that is old and no job's", order=lambda n: foreign(n, id=n.stale))
    yield Letter("repeat", "the job's order again", order=lambda n: dict(n.last), applies=_has_job)
    yield Letter(
        "repeat-changed",
        "the job's id with another order",
        order=lambda n: to_node("resume", n, holds=n.holds) | {"id": n.job},
        applies=_has_job,
    )
    yield from _cancels()
    yield Letter("hold", "a hold", order=lambda n: {"act": "hold"})
    yield Letter("hold-all", "a hold for all", order=lambda n: {"act": "hold"}, written="all")
    yield Letter(
        "resume", "a resume with the count of holds", order=lambda n: to_node("resume", n, holds=n.holds)
    )
    yield Letter(
        "resume-other",
        "a resume with another count",
        order=lambda n: to_node("resume", n, holds=(n.holds + (1, 65535)[n.chance % 2]) % 65536),
    )
    yield from _resets(node)
    strange = _strange(node, spec)
    yield Letter("unsupported", "an act that no role has", order=strange)


def _claim(n: Numbers) -> Order:
    return {"act": "claim", "boot": n.boot, "id": (n.fresh // 256 + 1) * 256, "token": n.chance}


def _cancels() -> Iterator[Letter]:
    def of_job(n: Numbers) -> Order:
        return to_node("cancel", n, ref=n.job) | ({"id": n.stale} if n.chance % 2 else {})

    yield Letter("cancel", "a cancel of the job", order=of_job, applies=_has_job)
    yield Letter(
        "cancel-own-id",
        "a cancel with the job's id as its own",
        order=lambda n: to_node("cancel", n, ref=n.job) | {"id": n.job},
        applies=_has_job,
    )
    yield Letter(
        "cancel-unseen",
        "a cancel of an order to come",
        order=lambda n: to_node("cancel", n, ref=n.fresh) | {"id": n.fresh + 1},
    )
    yield Letter(
        "cancel-later",
        "a cancel of its own id or a later one",
        order=lambda n: to_node("cancel", n, ref=n.fresh + n.chance % 2),
    )
    yield Letter(
        "cancel-forgotten",
        "a cancel of an old id that is no job's",
        order=lambda n: to_node("cancel", n, ref=n.stale),
    )


def _resets(node: NodeSite) -> Iterator[Letter]:
    yield Letter(
        "reset-fault",
        "a reset-fault with what was found",
        order=lambda n: to_node("reset-fault", n, faults=n.faults, **_found(node, n)),
    )
    yield Letter(
        "reset-bare",
        "a reset-fault that says nothing of what was found",
        order=lambda n: to_node("reset-fault", n, faults=n.faults),
    )
    yield Letter(
        "reset-other",
        "a reset-fault with another count",
        order=lambda n: to_node(
            "reset-fault", n, faults=(n.faults + (1, 65535)[n.chance % 2]) % 65536, **_found(node, n)
        ),
    )
    yield Letter(
        "reset-unfit",
        "a reset-fault with what cannot be",
        order=lambda n: to_node("reset-fault", n, faults=n.faults, found="box", place="nowhere"),
    )


def _found(node: NodeSite, n: Numbers) -> Order:
    if node.shuttle:
        stops = node.shuttle.stops
        return {"place": stops[n.chance % len(stops)]}
    return {"found": "box" if node.crane and n.load == "box" else "none"}


def finding_fits(node: NodeSite, order: Mapping[str, Any]) -> bool:
    """Whether one of the node's roles can be as it was found, by the words of the guards."""
    found, place = order.get("found"), order.get("place")
    crane = node.crane is not None and found in ("none", "box") and place is None
    berth = node.berth is not None and found == "none" and place is None
    return crane or berth or (node.shuttle is not None and place in node.shuttle.stops)


def _strange(node: NodeSite, spec: Specification) -> Callable[[Numbers], Order]:
    own = {act for role in node.roles for act in spec.acts_of(role)}
    act = next(act for act in ("depart", "park", "home") if act not in own)
    return lambda n: to_node(act, n, deadline=n.deadline)
