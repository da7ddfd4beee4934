"""A yard for tests: controllers of one world on one clock of their own, and every word that they say."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from protocol.codec import encode
from protocol.participant import Delivery, Publication
from protocol.site import Encoding, NodeSite, Site
from protocol.site_file import scenario
from protocol.validation import read_publication
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from reference_node.mechanism.train import Consist

BOOT = 4711
NEVER = 2**31 - 1
"""A deadline that is in time for as long as any test takes."""


@dataclass(frozen=True, slots=True)
class Said:
    """One message of a node, judged as a sender's before it is kept."""

    at_ms: int
    node: str
    message: str
    body: dict[str, Any]
    publication: Publication


def with_crane(site: Site, node: str, **changes: Any) -> Site:
    """The site with something changed in the crane of `node`."""
    crane = site.nodes[node].crane
    assert crane is not None
    return with_node(site, node, crane=replace(crane, **changes))


def with_node(site: Site, node: str, **changes: Any) -> Site:
    """The site with something changed in one node."""
    return replace(site, nodes={**site.nodes, node: replace(site.nodes[node], **changes)})


class Yard:
    """Runs controllers as a bus does that loses nothing and takes no time."""

    def __init__(
        self,
        *names: str,
        site: Site | None = None,
        boxes: Mapping[tuple[str, int], str] | None = None,
        trains: Sequence[Consist] | None = None,
        bench: bool = False,
        seed: int = 1,
        start_ms: int = 0,
        controller: type[Controller] = Controller,
    ) -> None:
        self.site = site or scenario()
        self.world = World(self.site, boxes)
        self.rng = random.Random(seed)
        self.now_ms = start_ms
        self.said: list[Said] = []
        self.machines = {
            name: Machines(self.site.nodes[name], self.world, self.rng, now_ms=start_ms, trains=trains)
            for name in names
        }
        self.bench, self._class = bench, controller
        self.nodes: dict[str, Controller] = {}
        self.ids = dict.fromkeys(names, 0)
        for name in names:
            self.start(name, BOOT)

    def start(self, name: str, boot: int, **how: Any) -> Controller:
        """Switch a controller on, or on again with another boot: its machine stays as it stands."""
        self.nodes[name] = self._class(
            self.site,
            name,
            boot=boot,
            bench=self.bench,
            machines=self.machines[name],
            rng=self.rng,
            started_ms=self.now_ms,
            **how,
        )
        self._hear(name, self.nodes[name].connected(self.now_ms))
        return self.nodes[name]

    def run(self, for_ms: int) -> None:
        """Let time pass."""
        self.until(lambda: False, for_ms)

    def until(self, so: Callable[[], bool], within_ms: int = 120_000) -> bool:
        """Let time pass until `so`, at most `within_ms`; gives whether it came."""
        end_ms = self.now_ms + within_ms
        while not so():
            due = {name: node.next_tick(self.now_ms) for name, node in self.nodes.items()}
            name = min(due, key=lambda name: due[name] or 0)
            when = due[name]
            assert when is not None
            if when > end_ms:
                self.now_ms = end_ms
                return so()
            self.now_ms = when
            self._hear(name, self.nodes[name].tick(when))
        return True

    def order(self, node: str, act: str, **fields: Any) -> list[Said]:
        """Send an order with id, boot and deadline where the act has them; gives what is said at once."""
        if "from_" in fields:
            fields["from"] = fields.pop("from_")
        body: dict[str, Any] = {"act": act}
        if act not in ("ask", "hold"):
            self.ids[node] += 1
            body |= {"boot": self.nodes[node].boot, "id": self.ids[node]}
        if act in ("transfer", "home", "park", "jog", "admit", "depart", "run"):
            body["deadline"] = NEVER
        return self.send(node, body | fields)

    def send(
        self, node: str, body: Mapping[str, Any], *, to_all: bool = False, retain: bool = False
    ) -> list[Said]:
        """Send an order as it is, in an encoding that the node reads."""
        payload = encode("job-order", body, encoding_for(self.site.nodes[node]))
        return self.deliver(node, payload, to_all=to_all, retain=retain)

    def deliver(self, node: str, payload: bytes, *, to_all: bool = False, retain: bool = False) -> list[Said]:
        """Hand a payload to the node, once it has done what is due."""
        self.run(0)
        return self._deliver(node, payload, to_all=to_all, retain=retain)

    def at_once(self, node: str, *bodies: Mapping[str, Any]) -> list[Said]:
        """Send orders in one breath: the node has no time to do anything between them."""
        self.run(0)
        before = len(self.said)
        for body in bodies:
            self._deliver(node, encode("job-order", body, encoding_for(self.site.nodes[node])))
        return self.said[before:]

    def _deliver(
        self, node: str, payload: bytes, *, to_all: bool = False, retain: bool = False
    ) -> list[Said]:
        topic = f"yw1/{self.site.name}/{'all' if to_all else node}/job-order"
        before = len(self.said)
        delivery = Delivery(topic, payload, qos=1, retain=retain)
        self._hear(node, self.nodes[node].receive(delivery, self.now_ms))
        return self.said[before:]

    def job(self, node: str, act: str, within_ms: int = 120_000, **fields: Any) -> dict[str, Any]:
        """Order a job, let it come to its end, and give its last report."""
        self.order(node, act, **fields)
        job = self.nodes[node].job
        assert job is not None, self.reports(node)[-1:]
        assert job.id == self.ids[node], self.reports(node)[-1]
        assert self.until(lambda: not job.is_open, within_ms), f"{act} does not end"
        return self.reports(node)[-1]

    def reports(self, node: str) -> list[dict[str, Any]]:
        """All reports of a node so far."""
        return [one.body for one in self.said if one.node == node and one.message == "job-report"]

    def state(self, node: str, message: str) -> dict[str, Any]:
        """What a node last said of its state."""
        return next(one.body for one in reversed(self.said) if (one.node, one.message) == (node, message))

    def starts(self, node: str) -> int:
        """How often a motor of the node was switched on in this boot."""
        return self.machines[node].starts

    def _hear(self, node: str, publications: Sequence[Publication]) -> None:
        for one in publications:
            reading = read_publication(one.topic, one.payload, retain=one.retain, qos=one.qos, closed=True)
            assert not reading.findings, [str(finding) for finding in reading.findings]
            assert reading.body is not None
            message = one.topic.split("/")[3]
            self.said.append(Said(self.now_ms, node, message, reading.body, one))


def encoding_for(node: NodeSite) -> Encoding:
    """An encoding that the node reads."""
    return Encoding.JSON if node.reads == "json" else Encoding.CBOR


def answers(said: Sequence[Said]) -> list[tuple[Any, ...]]:
    """The reports among what was said, as (act, id, state, reason)."""
    reports = [one.body for one in said if one.message == "job-report"]
    return [(body["act"], body.get("id"), body["state"], body.get("reason")) for body in reports]


def homed_crane(node: str = "north", **how: Any) -> Yard:
    """A yard with one crane, homed."""
    yard = Yard(node, **how)
    assert yard.job(node, "home")["state"] == "done"
    return yard
