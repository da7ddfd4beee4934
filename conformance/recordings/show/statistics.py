"""Figures of a recording, gathered message by message in memory that does not grow with its length."""

from __future__ import annotations

from collections import Counter, OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from conformance.recordings.message_summary import MessageSummary
from protocol.counting import COUNT_MODULUS, UPTIME_MODULUS, uptime_difference
from protocol.recording import EventKind, RecordedEvent, RecordedMessage
from protocol.site import Encoding
from protocol.sizes import size_limit
from protocol.specification import STATE_MESSAGES, specification

LONGEST_LATENCY_MS = 60_000
ORDERS_WAITING = 256
BARS = 120
"""Bars of the rate over time; when they do not reach, each takes twice the time."""


@dataclass(slots=True)
class TopicFigures:
    """One topic."""

    messages: int = 0
    retained: int = 0
    lost: int = 0
    longest_gap_ms: int = 0
    """In the node's own time, between messages in sequence."""
    largest: int = 0
    """Topic plus payload, in bytes."""
    encoding: str = ""
    last: tuple[int, int, int] | None = None
    """Boot, seq and uptime."""


@dataclass(slots=True)
class NodeFigures:
    """One node."""

    messages: int = 0
    invalid: int = 0
    boots: list[int] = field(default_factory=list)
    resets: Counter[str] = field(default_factory=Counter)
    """What it said that each of its boots came from."""
    told_reset: bool = False
    """Whether it has said what its newest boot came from."""
    wraps: int = 0
    topics: dict[str, TopicFigures] = field(default_factory=dict)


@dataclass(slots=True)
class Latency:
    """Times from an order to its first report, in whole ms, as the recorder heard both."""

    counts: Counter[int] = field(default_factory=Counter)

    def add(self, ms: int) -> None:
        """Count one."""
        self.counts[min(ms, LONGEST_LATENCY_MS)] += 1

    @property
    def number(self) -> int:
        """How many were counted."""
        return self.counts.total()

    def part(self, share: float) -> int:
        """The time that `share` (0 to 1) of them do not exceed: the nearest-rank percentile."""
        rank = max(1, -(-self.number * share // 1))
        seen = 0
        for ms in sorted(self.counts):
            seen += self.counts[ms]
            if seen >= rank:
                return ms
        return 0


class Statistics:
    """Gathers; `as_json` gives everything."""

    def __init__(self) -> None:
        self.nodes: dict[str, NodeFigures] = {}
        self.latencies: dict[tuple[str, str], Latency] = {}
        self.messages = self.retained = self.invalid = self.losses_of_connection = 0
        self.broken: Counter[str] = Counter()
        self.end_ms = 0
        self.bar_ms = 1000
        self.bars: list[int] = []
        self._lost = False
        self._waiting: OrderedDict[tuple[str, int, int], tuple[int, str]] = OrderedDict()

    def event(self, item: RecordedEvent) -> None:
        """Take an event."""
        if item.kind == EventKind.DISCONNECTED:
            self._lost = True  # It counts where anything follows: at the end it is the recorder that leaves.
        else:
            self._back()
        self.end_ms = max(self.end_ms, item.at_us // 1000)

    def take(self, item: RecordedMessage, line: MessageSummary) -> None:
        """Take a message."""
        self._back()
        self.messages += 1
        self.end_ms = max(self.end_ms, line.at_ms)
        self.retained += line.retained
        self.invalid += bool(line.findings)
        self.broken.update({finding.requirement for finding in line.findings})
        self._rate(line.at_ms)
        node = self.nodes.setdefault(line.speaker or line.node or "?", NodeFigures())
        node.messages += 1
        node.invalid += bool(line.findings)
        name = line.message
        if name == "yard-map":
            name += "/" + item.topic.rpartition("/")[2]
        elif name == "job-order":
            name += f"/{line.node}"  # Each node reads its own encoding.
        topic = node.topics.setdefault(name, TopicFigures())
        topic.messages += 1
        topic.retained += line.retained
        topic.encoding = line.encoding or topic.encoding
        topic.largest = max(topic.largest, line.size)
        if line.retained or not line.body:
            return
        if line.message == "job-order":
            self._order(line)
            return
        self._count(node, topic, line.body)
        if line.message == "job-report":
            self._report(line)

    def _back(self) -> None:
        self.losses_of_connection += self._lost
        self._lost = False

    def _rate(self, at_ms: int) -> None:
        bar = at_ms // self.bar_ms
        while bar >= BARS:
            padded = self.bars + [0] * (len(self.bars) % 2)
            self.bars = [a + b for a, b in zip(padded[::2], padded[1::2], strict=True)]
            self.bar_ms *= 2
            bar = at_ms // self.bar_ms
        self.bars.extend([0] * (bar + 1 - len(self.bars)))
        self.bars[bar] += 1

    def _count(self, node: NodeFigures, topic: TopicFigures, body: Mapping[str, Any]) -> None:
        if "seq" not in body:
            return
        boot, seq, uptime = body["boot"], body["seq"], body["uptime"]
        if boot not in node.boots[-4:]:
            node.boots.append(boot)
            node.told_reset = False
        if "reset" in body and not node.told_reset:
            node.told_reset = True
            node.resets[body["reset"]] += 1
        if topic.last is not None and topic.last[0] == boot:
            ahead = (seq - topic.last[1]) % COUNT_MODULUS
            since = uptime_difference(uptime, topic.last[2])
            if ahead == 1:
                topic.longest_gap_ms = max(topic.longest_gap_ms, since)
                # Every topic of the node sees the wrap; one of them counts it.
                wrapped = uptime < topic.last[2] and topic.last[2] - uptime > UPTIME_MODULUS // 2
                node.wraps += wrapped and topic is next(iter(node.topics.values()))
            elif 1 < ahead < COUNT_MODULUS // 2:
                topic.lost += ahead - 1
        topic.last = (boot, seq, uptime)

    def _order(self, line: MessageSummary) -> None:
        body = line.body
        if "id" in body:
            self._waiting.setdefault((line.node, body["boot"], body["id"]), (line.at_ms, body["act"]))
        elif "token" in body:
            self._waiting.setdefault((line.node, -1, body["token"]), (line.at_ms, body["act"]))
        if len(self._waiting) > ORDERS_WAITING:
            self._waiting.popitem(last=False)

    def _report(self, line: MessageSummary) -> None:
        body = line.body
        boot, number = (-1, body["token"]) if "token" in body else (body["order_boot"], body["id"])
        asked = self._waiting.pop((line.node, boot, number), None)
        if asked is not None:
            self.latencies.setdefault((line.node, asked[1]), Latency()).add(line.at_ms - asked[0])

    def as_json(self) -> dict[str, Any]:
        """Everything, for programs."""
        return {
            "messages": self.messages,
            "retained": self.retained,
            "invalid": self.invalid,
            "requirements_broken": dict(self.broken),
            "seconds": self.end_ms / 1000,
            "losses_of_connection": self.losses_of_connection,
            "nodes": {
                name: {
                    "messages": node.messages,
                    "invalid": node.invalid,
                    "boots": node.boots,
                    "resets": dict(node.resets),
                    "wraps": node.wraps,
                    "topics": {
                        topic: {
                            "messages": row.messages,
                            "retained": row.retained,
                            "lost": row.lost,
                            "longest_gap_ms": row.longest_gap_ms,
                            "largest": row.largest,
                            "most": limit_of(topic, row.encoding),
                        }
                        for topic, row in node.topics.items()
                    },
                }
                for name, node in self.nodes.items()
            },
            "order_to_report_ms": [
                {
                    "node": node, "act": act, "orders": one.number, "median": one.part(0.5),
                    "p95": one.part(0.95), "longest": one.part(1.0),
                }
                for (node, act), one in sorted(self.latencies.items())
            ],
        }  # fmt: skip


def limit_of(topic: str, encoding: str) -> int | None:
    """Most bytes of topic plus payload; None where there is no such limit, or no message could be read."""
    return size_limit(topic.partition("/")[0], Encoding(encoding)) if encoding else None


def gap_limit_ms(topic: str) -> int | None:
    """Longest time between two messages of a topic, None where there is no such limit."""
    if topic not in STATE_MESSAGES:
        return None
    return specification().timing["status_repeat" if topic == "node-status" else "state_repeat"].most
