"""Letters that are jobs: those that a node of each role takes, and those that it must refuse."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from conformance.suite.walk.letters import BOX, Letter, Numbers, Order, to_node
from protocol.site import NodeSite, PlaceKind, Site


def fit_job(node: NodeSite) -> Callable[[Numbers], Order]:
    """A job that the node takes when it can."""
    if node.crane:
        return lambda n: to_node("home", n, deadline=n.deadline)
    if node.berth:
        return lambda n: to_node("admit", n, deadline=n.deadline)
    return lambda n: to_node("run", n, deadline=n.deadline, to=_elsewhere(node, n))


def _elsewhere(node: NodeSite, n: Numbers) -> str:
    stops = node.shuttle.stops if node.shuttle else ()
    return next((stop for stop in stops if stop != n.place), stops[0])


def jobs(site: Site, node: NodeSite) -> Iterator[Letter]:
    """The jobs of each of the node's roles."""
    fit = fit_job(node)
    yield Letter(
        "late",
        "a job whose deadline has passed",
        order=lambda n: fit(n) | {"deadline": n.too_late},
        moves=True,
    )
    yield Letter("retained", "a retained job", kind="retained", order=fit, moves=True)
    if node.crane:
        yield from _crane_jobs(site, node)
    if node.berth:
        for act in ("admit", "depart"):
            yield _job(act, act, f"{act}, in time")
    if node.shuttle:
        yield Letter("run", "a run to the other stop", order=_run(node), moves=True, act="run")
        yield Letter(
            "run-nowhere",
            "a run to a place that it does not serve",
            order=lambda n: to_node("run", n, deadline=n.deadline, to="nowhere"),
            moves=True,
            act="run",
            role={"knows_place": False},
        )


def _run(node: NodeSite) -> Callable[[Numbers], Order]:
    return lambda n: to_node("run", n, deadline=n.deadline, to=_elsewhere(node, n))


def _job(
    name: str,
    act: str,
    says: str,
    fields: Mapping[str, Any] | None = None,
    *,
    called: str = "",
    role: Mapping[str, bool] | None = None,
) -> Letter:
    def order(n: Numbers) -> Order:
        return to_node(act, n, deadline=n.deadline, **(fields or {}))

    return Letter(name, says, order=order, moves=True, act=called or act, role=role or {})


def _crane_jobs(site: Site, node: NodeSite) -> Iterator[Letter]:
    assert node.crane is not None
    first, *others = node.crane.axes
    quarter = (first.most - first.least) // 4

    def jog(n: Numbers) -> Order:
        """To the far side, so that it takes its time."""
        near = n.position - first.least < 2 * quarter
        target = [first.most - quarter if near else first.least + quarter, *(axis.park for axis in others)]
        return to_node("jog", n, deadline=n.deadline, target=target)

    yield _job("home", "home", "home, in time")
    yield _job("park", "park", "park, in time")
    yield Letter("jog", "a jog to the other side", order=jog, moves=True, act="jog")
    too_far = [first.most + 1, *(axis.park for axis in others)]
    yield _job(
        "jog-too-far", "jog", "a jog beyond a limit", {"target": too_far}, role={"within_reach": False}
    )
    yield from _transfers(site, node)


def _transfers(site: Site, node: NodeSite) -> Iterator[Letter]:
    assert node.crane is not None
    stacks = [
        place for place in node.crane.places.values() if site.places[place.place].kind is PlaceKind.STACK
    ]
    two = next((stack for stack in stacks if len(stack.slots) > 1), None)
    if two is None:
        return
    there = {"to": two.place, "to_slot": 1, "box": BOX}
    nowhere = {"to": "nowhere", "to_slot": 0, "box": BOX}
    here = {"from": two.place, "from_slot": 0}
    yield _job("transfer", "transfer", "a transfer from slot to slot", here | there)
    yield _job("set-down", "transfer", "a transfer from the spreader", there, called="set-down")
    unknown = {"knows_place": False}
    yield _job("transfer-nowhere", "transfer", "a transfer to an unknown place", here | nowhere, role=unknown)
