"""What happened, without what is noise: a recording as events, one sequence a node, ready to be compared.

An event is a message that changed something: an order that was new, a report, a state that became another.
Its meaning leaves out what differs between any two runs (boot, seq, uptime, mark, ids, tokens, deadlines,
heartbeats, positions under way). Meanings are numbered, so that a million events are a few arrays of integers.
"""

from __future__ import annotations

import re
from array import array
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from protocol.bulk_reading import BulkReader
from protocol.counting import COUNT_MODULUS, UPTIME_MODULUS
from protocol.recording import EventKind, Item, RecordedEvent, RecordedMessage
from protocol.topics import Topic

Body = Mapping[str, Any]
Meaning = tuple[Any, ...]
"""Message first, then words; equal for the same event in two runs."""
Values = tuple[tuple[str, Any], ...]
"""Named figures that may differ a little between runs."""

Content = tuple[Meaning, Values]

SILENCE_US = 5_000_000
"""A node that says nothing for so long has fallen silent; it is due every 2 s."""
BEATING = frozenset({"train-arrival", "shuttle-status", "crane-status", "fault"})
LONGEST_BEAT_US = 2_000_000
"""`state_repeat` of the specification, in us."""
RECENT = 32
"""Messages of a topic among which a second delivery is looked for."""
JOBS_KEPT = 256
UNKNOWN_UPTIME = -1

_CBOR_INT = rb"(?:[\x00-\x17]|\x18.|\x19..|\x1a....)"
_CBOR_STATE = re.compile(
    rb".\x00(" + _CBOR_INT + rb")\x01(" + _CBOR_INT + rb")\x02" + _CBOR_INT + rb"(.*)", re.DOTALL
)
_JSON_STATE = re.compile(rb'\{"boot":([0-9]+),"seq":([0-9]+),"uptime":[0-9]+(.*)', re.DOTALL)


class Names:
    """Numbers meanings and values: the same for all recordings that are compared."""

    def __init__(self) -> None:
        self._meanings: dict[Meaning, int] = {}
        self._values: dict[Values, int] = {(): 0}
        self.meanings: list[Meaning] = []
        self.values: list[Values] = [()]

    def meaning(self, meaning: Meaning) -> int:
        """The number of a meaning."""
        number = self._meanings.setdefault(meaning, len(self.meanings))
        if number == len(self.meanings):
            self.meanings.append(meaning)
        return number

    def value(self, values: Values) -> int:
        """The number of values; 0 for none."""
        number = self._values.setdefault(values, len(self.values))
        if number == len(self.values):
            self.values.append(values)
        return number


@dataclass(slots=True)
class EventSequence:
    """The events of one node, orders to it among them; all arrays are of the same length."""

    meanings: array[int] = field(default_factory=lambda: array("i"))
    values: array[int] = field(default_factory=lambda: array("i"))
    at_us: array[int] = field(default_factory=lambda: array("q"))
    numbers: array[int] = field(default_factory=lambda: array("q"))
    """Which message of the recording, counted from 1."""
    uptimes: array[int] = field(default_factory=lambda: array("q"))
    """In ms, unwrapped; -1 where the node did not say it (orders, silence)."""
    gaps: list[tuple[int, str]] = field(default_factory=list)
    """When messages were found lost, and of which topic."""

    def __len__(self) -> int:
        return len(self.meanings)


@dataclass(slots=True)
class EventLog:
    """A whole recording."""

    name: str
    names: Names
    sequences: dict[str, EventSequence] = field(default_factory=dict)
    messages: int = 0
    end_us: int = 0
    began_us: int = 0


@dataclass(slots=True)
class _Node:
    """What the reader of events has to remember of a node."""

    jobs: OrderedDict[tuple[int, int], Meaning] = field(default_factory=OrderedDict)
    """Boot and order id to the words of the order."""
    last: dict[str, Any] = field(default_factory=dict)
    boot: int | None = None
    uptime: int = UNKNOWN_UPTIME
    spoke_us: int | None = None
    spoke_on: dict[str, int] = field(default_factory=dict)
    """When it last spoke on each of its topics that have a heartbeat."""
    rhythm: dict[str, int] = field(default_factory=dict)
    """Its usual heartbeat on each of them, in us."""
    silent: bool = False

    def beat(self, message: str, at_us: int) -> None:
        """It has spoken on a topic with a heartbeat."""
        since = at_us - self.spoke_on.get(message, at_us)
        if self.rhythm.get(message, 0) < since <= LONGEST_BEAT_US:
            self.rhythm[message] = since
        self.spoke_on[message] = at_us

    def due_us(self) -> int:
        """When it should have spoken next, by its own rhythm."""
        return min(
            at_us + self.rhythm.get(message, LONGEST_BEAT_US) for message, at_us in self.spoke_on.items()
        )


class EventReader:
    """Reads events out of messages."""

    def __init__(self, name: str, names: Names) -> None:
        self.log = EventLog(name, names)
        self._reader = BulkReader()
        self._nodes: dict[str, _Node] = {}
        self._same: dict[str, tuple[bytes, bytes]] = {}
        """Topic to boot and all behind the uptime of its last message: a heartbeat repeats them."""
        self._seqs: dict[str, int] = {}
        self._recent: dict[str, deque[bytes]] = {}
        self._looked_us = 0

    def take(self, item: Item) -> None:
        """Take the next item of a recording."""
        if isinstance(item, RecordedMessage):
            self._message(item)
        elif isinstance(item, RecordedEvent) and item.kind == EventKind.DISCONNECTED:
            self._seqs.clear()
            for node in self._nodes.values():
                node.spoke_us = None
        self.log.end_us = item.at_us

    def _message(self, item: RecordedMessage) -> None:
        log = self.log
        log.messages += 1
        if log.messages == 1:
            log.began_us = item.at_us
        if item.at_us - self._looked_us > 500_000:
            self._look(item.at_us)
        topic = None if item.retain else self._reader.topic(item.topic)
        if topic is None:
            return
        node = self._nodes.get(topic.node)
        if node is None:
            node = self._nodes[topic.node] = _Node()
        if topic.message != "job-order" and self._repeats(item, topic, node):
            return
        content = self._content(item, topic.message, node)
        if content is None:
            return
        key = topic.message + topic.place
        if topic.message != "job-order":
            if node.last.get(key) == content:
                return
            node.last[key] = content
        sequence = f"{topic.node}/{topic.place}" if topic.place else topic.node
        uptime = UNKNOWN_UPTIME if topic.message == "job-order" else node.uptime
        self._add(sequence, *content, item.at_us, log.messages, uptime)

    def _repeats(self, item: RecordedMessage, topic: Topic, node: _Node) -> bool:
        """Whether a message says nothing but what its topic said last: found without decoding it."""
        payload = item.payload
        found = (_JSON_STATE if payload[:1] == b"{" else _CBOR_STATE).match(payload)
        if found is None:
            return False
        node.spoke_us, node.silent = item.at_us, False
        if topic.message in BEATING:
            node.beat(topic.message, item.at_us)
        boot, seq, rest = found.groups()
        if self._delivered_again(item, topic, int(seq) if payload[:1] == b"{" else _cbor_int(seq)):
            return True
        same = self._same.get(item.topic) == (boot, rest)
        self._same[item.topic] = (boot, rest)
        return same

    def _delivered_again(self, item: RecordedMessage, topic: Topic, seq: int) -> bool:
        """Whether it was heard before, which QoS 1 allows; a jump of seq ahead is kept as a loss."""
        recent = self._recent.setdefault(item.topic, deque(maxlen=RECENT))
        before = self._seqs.get(item.topic)
        ahead = 1 if before is None else (seq - before) % COUNT_MODULUS
        if ahead != 1 and item.payload in recent:
            return True
        recent.append(item.payload)
        self._seqs[item.topic] = seq
        if 1 < ahead < COUNT_MODULUS // 2:
            self.log.sequences.setdefault(topic.node, EventSequence()).gaps.append(
                (item.at_us, topic.message)
            )
        return False

    def _content(self, item: RecordedMessage, message: str, node: _Node) -> Content | None:
        """What a message means; None for noise, and for what is not valid, which `validate` tells."""
        body = self._reader.decode(item.topic, item.payload)
        tell = _TELLERS.get(message)
        if body is None or tell is None:
            return None
        try:
            self._uptime(node, body)
            return tell(node, body)
        except (KeyError, TypeError, IndexError, ValueError):
            return None

    def _add(self, name: str, meaning: Meaning, values: Values, at_us: int, number: int, uptime: int) -> None:
        sequence = self.log.sequences.get(name)
        if sequence is None:
            sequence = self.log.sequences[name] = EventSequence()
        sequence.meanings.append(self.log.names.meaning(meaning))
        sequence.values.append(self.log.names.value(values) if values else 0)
        sequence.at_us.append(at_us)
        sequence.numbers.append(number)
        sequence.uptimes.append(uptime)

    def _uptime(self, node: _Node, body: Body) -> None:
        """Uptime without its wraps, so that durations are differences."""
        uptime = body.get("uptime")
        if uptime is None:
            return
        if body["boot"] != node.boot or node.uptime < 0:
            node.boot, node.uptime = body["boot"], uptime
            return
        ahead = (uptime - node.uptime) % UPTIME_MODULUS
        if ahead < UPTIME_MODULUS // 2:
            node.uptime += ahead

    def _look(self, at_us: int) -> None:
        self._looked_us = at_us
        for name, node in self._nodes.items():
            if node.spoke_us is None or node.silent or not node.spoke_on:
                continue
            if at_us - node.spoke_us < SILENCE_US:
                continue
            node.silent = True
            due_us = max(node.due_us(), node.spoke_us)
            self._add(name, ("silence",), (), due_us, self.log.messages, UNKNOWN_UPTIME)


def _cbor_int(data: bytes) -> int:
    return data[0] if len(data) == 1 else int.from_bytes(data[1:], "big")


def event_log_of(
    name: str, items: Iterable[Item], names: Names, tick: Callable[[], object] | None = None
) -> EventLog:
    """The events of a recording; `tick` is called every 10,000 items."""
    reader = EventReader(name, names)
    for number, item in enumerate(items):
        reader.take(item)
        if tick is not None and number % 10_000 == 0:
            tick()
    return reader.log


# ------------------------------------------------------------------------------------- what each message means
ORDER_WORDS = ("box", "from", "from_slot", "to", "to_slot", "train", "found", "place", "target")


def _order(node: _Node, body: Body) -> Content | None:
    act = body["act"]
    if act == "ask":
        return None
    words: Meaning = (act, *(_hashable(body[word]) for word in ORDER_WORDS if word in body))
    if act == "cancel":
        words = ("cancel", *node.jobs.get((body["boot"], body["ref"]), ("?",)))
    if "id" in body:
        key = (body["boot"], body["id"])
        if key in node.jobs:
            return None  # Sent again, as it should be until it is answered.
        node.jobs[key] = words
        if len(node.jobs) > JOBS_KEPT:
            node.jobs.popitem(last=False)
    return ("job-order", *words), _figures(body, "reading")


def _report(node: _Node, body: Body) -> Content | None:
    act, state = body["act"], body["state"]
    if act == "ask" or (act == "claim" and state == "done"):
        return None
    words = node.jobs.get((body["order_boot"], body["id"]), (act,))
    load = f"load {body['load']}" if "load" in body else None
    content = (state, body.get("step"), body.get("reason"), load)
    key = ("content", body["order_boot"], body["id"])
    if node.last.get("report") == (key, content):
        return None
    node.last["report"] = (key, content)
    return ("job-report", *words, *(word for word in content if word is not None)), ()


def _crane(node: _Node, body: Body) -> Content:
    mode = body["mode"]
    homed = tuple(axis[2] for axis in body["axes"])
    meaning = ("crane-status", mode, body["spreader"], body["load"], body["held"], homed)
    if mode != "working":
        return meaning, ()  # Only a job's targets are meant; others are left over from homing or a hand.
    return meaning, tuple(
        (f"target of axis {number}", axis[1]) for number, axis in enumerate(body["axes"], 1)
    )


def _arrival(node: _Node, body: Body) -> Content:
    meaning = ("train-arrival", body["state"], body["held"], body.get("train"))
    return meaning, _figures(body, "reading", "arm_to_end")


def _shuttle(node: _Node, body: Body) -> Content:
    return ("shuttle-status", body["state"], body.get("place"), body["load"], body["held"]), ()


def _fault(node: _Node, body: Body) -> Content:
    return ("fault", *sorted(body["active"])), ()


def _status(node: _Node, body: Body) -> Content:
    if body["state"] == "off":
        return ("node-status", "off"), ()
    meaning = ("node-status", "on", body["reset"], body["bench"], *body["roles"])
    return meaning, (("boot", body["boot"]), ("link", body["link"]), *_figures(body, "digest", "firmware"))


def _map(node: _Node, body: Body) -> Content:
    return ("yard-map", body["state"], body.get("why"), *body["slots"]), ()


def _figures(body: Body, *names: str) -> Values:
    return tuple((name, body[name]) for name in names if name in body)


def _hashable(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


_TELLERS: dict[str, Callable[[_Node, Body], Content | None]] = {
    "job-order": _order,
    "job-report": _report,
    "crane-status": _crane,
    "train-arrival": _arrival,
    "shuttle-status": _shuttle,
    "fault": _fault,
    "node-status": _status,
    "yard-map": _map,
}
