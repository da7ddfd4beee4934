"""What a message tells only together with those before it: how long a step took, an answer, a gap.

It is worked out once, message by message; what is kept of a message in a store has it as columns.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from protocol.counting import COUNT_MODULUS, uptime_difference
from protocol.recording import EventKind, RecordedEvent, RecordedMessage
from protocol.specification import specification
from protocol.topics import Topic

Body = Mapping[str, Any]

BEATING = frozenset({"train-arrival", "shuttle-status", "crane-status", "fault"})
"""Messages that are due every `state_repeat`."""
PICKING = frozenset({"lower-to-pick", "grip", "lift"})
DROPPING = frozenset({"lower-to-drop", "release", "clear"})
ORDERS_KEPT = 256
ARRIVALS_KEPT = 64
NODES_KEPT = 1024


class Derived(NamedTuple):
    """What one message tells of what went before; None where it tells nothing of the kind."""

    speaker: str = ""
    step: str = ""
    """The step of a job that this report ends; '' where none, or where a hold fell into it."""
    step_ms: int | None = None
    """How long it took, by the node's own clock."""
    way: str = ""
    train: str = ""
    answer_ms: int | None = None
    """From an order to this, its first report, as the recorder heard both."""
    gap_ms: int | None = None
    """Since the node's message before on this topic, by the node's own clock."""
    lost: int = 0
    """Messages that are missing right before this one."""
    reconnected: bool = False
    """Whether the node says a connection or a boot that was not known."""
    arrived: bool = False
    """Whether it is the first word of a train that has come to rest."""


@dataclass(slots=True)
class _Job:
    """The job that a node is at."""

    id: tuple[int, int]
    order: Body
    step: str = ""
    since: int = 0
    disturbed: bool = False
    """A hold fell into the step, or its beginning was not heard."""


@dataclass(slots=True)
class _Node:
    seqs: dict[str, tuple[int, int, int]] = field(default_factory=dict)
    """Topic to boot, seq and uptime of its newest message."""
    orders: OrderedDict[tuple[int, int], Body] = field(default_factory=OrderedDict)
    job: _Job | None = None
    place: str = ""
    """Where its machine ended its last job."""
    link: tuple[int, int] | None = None
    train: str = ""
    arrival: tuple[int, int] | None = None


class FigureReader:
    """Takes the messages of one site in their order."""

    def __init__(self) -> None:
        self._nodes: dict[str, _Node] = {}
        self._asked: OrderedDict[tuple[str, int, int], int] = OrderedDict()
        """Orders that no report answered yet, and when they were heard, in us."""
        self._trains: OrderedDict[tuple[int, int], str] = OrderedDict()
        """Boot of a berth and arrival to the train's label."""
        self._supervisor = ""
        self._everyone = specification().everyone

    def event(self, item: RecordedEvent) -> None:
        """Take what befell the recorder: over a lost connection nothing is told."""
        if item.kind != EventKind.DISCONNECTED:
            return
        self._asked.clear()
        for node in self._nodes.values():
            node.seqs.clear()
            if node.job is not None:
                node.job.disturbed = True

    def take(self, item: RecordedMessage, topic: Topic | None, body: Body | None) -> Derived:
        """Take a message; `body` is None where it cannot be read."""
        if topic is None:
            return Derived()
        message, name = topic.message, topic.node
        if item.retain or body is None:
            return Derived(self._supervisor if message == "job-order" else name)
        if message == "job-order":
            self._order(name, body, item.at_us)
            return Derived(self._supervisor)
        node = self._nodes.get(name)
        if node is None:
            if len(self._nodes) >= NODES_KEPT:
                self._nodes.clear()
            node = self._nodes[name] = _Node()
        gap_ms, lost, again = self._follow(node, item.topic, message, body)
        told = Derived(name, gap_ms=gap_ms, lost=lost)
        if again:
            return told
        teller = _TELLERS.get(message)
        return told if teller is None else teller(self, node, body, item.at_us, told)

    def _follow(self, node: _Node, topic: str, message: str, body: Body) -> tuple[int | None, int, bool]:
        """Gap, losses, and whether it was heard before (QoS 1 may deliver twice)."""
        seq = body.get("seq")
        if seq is None:
            return None, 0, False
        boot, uptime = body["boot"], body["uptime"]
        last = node.seqs.get(topic)
        if last is None or last[0] != boot:
            node.seqs[topic] = (boot, seq, uptime)
            return None, 0, False
        ahead = (seq - last[1]) % COUNT_MODULUS
        if ahead == 0 or ahead > COUNT_MODULUS // 2:
            return None, 0, True
        node.seqs[topic] = (boot, seq, uptime)
        if ahead > 1:
            return None, ahead - 1, False
        return (max(0, uptime_difference(uptime, last[2])) if message in BEATING else None), 0, False

    # ------------------------------------------------------------------------------------ orders
    def _order(self, name: str, body: Body, at_us: int) -> None:
        act = body["act"]
        if act == "hold":
            for other, node in self._nodes.items():
                if node.job is not None and name in (other, self._everyone):
                    node.job.disturbed = True
            return
        key = (name, body["boot"], body["id"]) if "id" in body else (name, -1, body.get("token", -1))
        if key not in self._asked:
            self._asked[key] = at_us
            if len(self._asked) > ORDERS_KEPT:
                self._asked.popitem(last=False)
        if "id" in body:
            orders = self._nodes.setdefault(name, _Node()).orders
            orders.setdefault((body["boot"], body["id"]), body)
            if len(orders) > ORDERS_KEPT:
                orders.popitem(last=False)

    # ------------------------------------------------------------------------------------ reports
    def _report(self, node: _Node, body: Body, at_us: int, told: Derived) -> Derived:
        key = (body["order_boot"], body["id"]) if "order_boot" in body else (-1, body.get("token", -1))
        asked_us = self._asked.pop((told.speaker, *key), None)
        if asked_us is not None:
            told = told._replace(answer_ms=max(0, round((at_us - asked_us) / 1000)))
        if "order_boot" not in body or body["act"] not in specification().jobs:
            return told
        ended = self._step(node, key, body)
        return told if ended is None else told._replace(**ended)

    def _step(self, node: _Node, key: tuple[int, int], body: Body) -> dict[str, Any] | None:
        """The step that a report ends, if it was seen whole."""
        job, state, uptime = node.job, body["state"], body["uptime"]
        if job is None or job.id != key:
            order = node.orders.get(key)
            known = order is not None and state in ("accepted", "running")
            if known and order is not None:
                node.job = _Job(key, order, body.get("step", ""), uptime, disturbed=state == "running")
            return None
        step = body.get("step", "") if state in ("accepted", "running") else ""
        if state == "running" and step == job.step:
            return None
        ended = None
        if job.step and not job.disturbed and state in ("running", "done"):
            took = uptime_difference(uptime, job.since)
            if took >= 0:
                way, train = self._where(node, job)
                ended = {"step": job.step, "step_ms": took, "way": way, "train": train}
        job.step, job.since, job.disturbed = step, uptime, False
        if state not in ("accepted", "running"):
            node.place = self._end(node, job.order) if state == "done" else ""
            node.job = None
        return ended

    def _where(self, node: _Node, job: _Job) -> tuple[str, str]:
        """Slot or way of the job's step, and the train that stands there."""
        order = job.order
        match order["act"]:
            case "transfer":
                pick, drop = _slot(order, "from"), _slot(order, "to")
                train = self._trains.get((order.get("berth_boot", -1), order.get("arrival", -1)), "")
                if job.step in PICKING:
                    return pick, train
                if job.step in DROPPING:
                    return drop, train
                if job.step == "travel-to-drop":
                    return f"{pick} to {drop}", train
                return f"{node.place or '?'} to {pick}", train
            case "run":
                return f"{node.place or '?'} to {order['to']}", ""
            case "admit":
                return "", str(order.get("train", ""))
            case "depart":
                return "", node.train
            case _:
                return "", ""

    def _end(self, node: _Node, order: Body) -> str:
        """Where the machine stands behind a job that is done."""
        match order["act"]:
            case "transfer":
                return _slot(order, "to")
            case "run":
                return str(order["to"])
            case act:
                return str(act)

    # ------------------------------------------------------------------------------------ states
    def _status(self, node: _Node, body: Body, at_us: int, told: Derived) -> Derived:
        if "supervisor" in body.get("roles", ()):
            self._supervisor = told.speaker
        if body["state"] == "off":
            return told
        link, before = (body["boot"], body["link"]), node.link
        node.link = link
        if before is not None and before[0] != link[0]:
            node.job, node.place, node.train = None, "", ""
        return told._replace(reconnected=before is not None and before != link)

    def _arrival(self, node: _Node, body: Body, at_us: int, told: Derived) -> Derived:
        told = self._held(node, body, at_us, told)
        if body["state"] != "at-rest":
            return told
        arrival = (body["boot"], body["arrival"])
        node.train = body.get("train", "")
        self._trains[arrival] = node.train
        if len(self._trains) > ARRIVALS_KEPT:
            self._trains.popitem(last=False)
        first = node.arrival != arrival
        node.arrival = arrival
        return told._replace(arrived=first, train=node.train)

    def _shuttle(self, node: _Node, body: Body, at_us: int, told: Derived) -> Derived:
        if body["state"] == "at-place":
            node.place = body["place"]
        return self._held(node, body, at_us, told)

    def _held(self, node: _Node, body: Body, at_us: int, told: Derived) -> Derived:
        if body["held"] and node.job is not None:
            node.job.disturbed = True
        return told


_TELLERS = {
    "job-report": FigureReader._report,
    "node-status": FigureReader._status,
    "train-arrival": FigureReader._arrival,
    "shuttle-status": FigureReader._shuttle,
    "crane-status": FigureReader._held,
}


def _slot(order: Body, end: str) -> str:
    """A slot that an order names; a box that is not taken from one hangs in the spreader."""
    return f"{order[end]}/{order[f'{end}_slot']}" if end in order else "spreader"
