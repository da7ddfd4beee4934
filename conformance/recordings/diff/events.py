"""What happened, without what is noise: a recording as events, one sequence a node, ready to be compared.

An event is a message that changed something: an order that was new, a report, a state that became another.
Its meaning leaves out what differs between any two runs (boot, seq, uptime, mark, ids, tokens, deadlines,
heartbeats, positions under way). Meanings are numbered, so that a million events are a few arrays of integers.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterable

from conformance.recordings.diff.event_log import EventLog, EventSequence, Names
from conformance.recordings.diff.meanings import (
    SILENCE,
    TELLERS,
    UNKNOWN_UPTIME,
    Body,
    Content,
    Meaning,
    NodeMemory,
    Values,
)
from conformance.recordings.diff.switching_off import without_switching_off
from protocol.bulk_reading import BulkReader
from protocol.counting import COUNT_MODULUS, UPTIME_MODULUS
from protocol.recording import EventKind, Item, RecordedEvent, RecordedMessage
from protocol.topics import Topic

SILENCE_US = 3_500_000
"""A node that says nothing for so long has fallen silent; it is due every 2 s."""
SET_BACK_MS = 1000
"""Further than this no message overtakes another one: then a node's uptime was set back."""
BEATING = frozenset({"train-arrival", "shuttle-status", "crane-status", "fault"})
ANSWERS_AWAITED = 256
MOST_MS = 2**31 - 1
RECENT = 32
"""Messages of a topic among which a second delivery is looked for."""

_CBOR_INT = rb"(?:[\x00-\x17]|\x18.|\x19..|\x1a....)"
_CBOR_STATE = re.compile(
    rb".\x00(" + _CBOR_INT + rb")\x01(" + _CBOR_INT + rb")\x02(" + _CBOR_INT + rb")(.*)", re.DOTALL
)
_JSON_STATE = re.compile(rb'\{"boot":([0-9]+),"seq":([0-9]+),"uptime":([0-9]+)(.*)', re.DOTALL)


class EventReader:
    """Reads events out of messages."""

    def __init__(self, name: str, names: Names, *, trains: bool = True) -> None:
        """With `trains` False what a train is called is no difference."""
        self._trains = trains
        self.log = EventLog(name, names)
        self._reader = BulkReader()
        self._nodes: dict[str, NodeMemory] = {}
        self._same: dict[str, tuple[bytes, bytes]] = {}
        """Topic to boot and all behind the uptime of its last message: a heartbeat repeats them."""
        self._seqs: dict[str, int] = {}
        self._recent: dict[str, deque[bytes]] = {}
        self._looked_us = 0
        self._first: dict[str, dict[str, int]] = {}
        """Sequence to what it said first: topic to the event."""
        self._encodings: dict[str, str] = {}

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
        if item.retain:
            log.retained += 1
            return
        topic = self._reader.topic(item.topic)
        if topic is None:
            return
        node = self._nodes.get(topic.node)
        if node is None:
            node = self._nodes[topic.node] = NodeMemory()
        if topic.message != "job-order" and self._repeats(item, topic, node):
            return
        body = self._body(item, topic, node)
        if body is None:
            return
        self._encoding(topic, item)
        content = self._content(topic.message, node, body, item.at_us)
        if content is not None:
            self._happened(topic, node, body, content, item.at_us)

    def _happened(self, topic: Topic, node: NodeMemory, body: Body, content: Content, at_us: int) -> None:
        """Enter an event, unless its topic said just that before."""
        message, sequence = topic.message, f"{topic.node}/{topic.place}" if topic.place else topic.node
        if message == "job-order":
            self._add(sequence, *content, at_us, self.log.messages, UNKNOWN_UPTIME)
            self._ordered(sequence, node, body)
            return
        key = message + topic.place
        last = node.last.get(key)
        if last == content:
            return
        node.last[key] = content
        if message == "job-report":
            self._reported(sequence, node, body, at_us)
        elif message == "train-arrival" and last is not None and _only_counted_on(last, content):
            self.log.sequences[sequence].values[node.last["arrival"]] = self.log.names.value(content[1])
            return
        else:
            self._first.setdefault(sequence, {}).setdefault(key, self._next(sequence))
        self._add(sequence, *content, at_us, self.log.messages, node.uptime)
        if message == "train-arrival":
            node.last["arrival"] = self._next(sequence) - 1

    def _next(self, sequence: str) -> int:
        return len(self.log.sequences.get(sequence, ()))

    def _encoding(self, topic: Topic, item: RecordedMessage) -> None:
        """An event where a node, or who orders it, writes otherwise than before."""
        sequence = topic.node
        who = "orders" if topic.message == "job-order" else "messages"
        encoding = "json" if item.payload[:1] == b"{" else "cbor"
        key = f"{topic.node} {who}"
        if self._encodings.get(key) != encoding:
            if key not in self._encodings:
                self._first.setdefault(sequence, {})[key] = self._next(sequence)
            self._encodings[key] = encoding
            self._add(
                sequence, ("encoding", who, encoding), (), item.at_us, self.log.messages, UNKNOWN_UPTIME
            )

    def _ordered(self, sequence: str, node: NodeMemory, body: Body) -> None:
        """Measure from here to the answer."""
        events = self.log.sequences[sequence]
        if "id" in body:
            node.orders[body["boot"], body["id"]] = len(events) - 1
            if len(node.orders) > ANSWERS_AWAITED:
                node.orders.popitem(last=False)

    def _reported(self, sequence: str, node: NodeMemory, body: Body, at_us: int) -> None:
        asked = node.orders.pop((body.get("order_boot", -1), body.get("id", -1)), None)
        if asked is not None:
            events = self.log.sequences[sequence]
            events.answers[asked] = min((at_us - events.at_us[asked]) // 1000, MOST_MS)

    def _repeats(self, item: RecordedMessage, topic: Topic, node: NodeMemory) -> bool:
        """Whether a message says nothing but what its topic said last: found without decoding it."""
        payload = item.payload
        found = (_JSON_STATE if payload[:1] == b"{" else _CBOR_STATE).match(payload)
        if found is None:
            return False
        node.spoke_us, node.silent = item.at_us, False
        if topic.message in BEATING:
            node.beat(topic.message, item.at_us)
        boot, seq, uptime, rest = found.groups()
        number = int if payload[:1] == b"{" else _cbor_int
        if self._delivered_again(item, topic, number(seq)):
            return True
        self._clock(topic.node, node, (number(boot), number(uptime)), item.at_us)
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

    def _body(self, item: RecordedMessage, topic: Topic, node: NodeMemory) -> Body | None:
        """What a receiver can use; None, and an event, where it can use nothing."""
        body = self._reader.decode(item.topic, item.payload)
        if body is not None:
            return body
        self.log.unreadable[topic.node] += 1
        if node.last.get("unreadable") != topic.message:
            node.last["unreadable"] = topic.message
            self._add(
                topic.node, ("unreadable", topic.message), (), item.at_us, self.log.messages, UNKNOWN_UPTIME
            )
        return None

    def _content(self, message: str, node: NodeMemory, body: Body, at_us: int) -> Content | None:
        """What a message means; None for noise."""
        tell = TELLERS.get(message)
        if tell is None:
            return None
        try:
            self._uptime(node, body, at_us)
            if not self._trains and "train" in body:
                body = {name: value for name, value in body.items() if name != "train"}
            return tell(node, body, at_us)
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
        sequence.answers.append(-1)

    def _uptime(self, node: NodeMemory, body: Body, at_us: int) -> None:
        """Uptime without its wraps, so that durations are differences."""
        uptime = body.get("uptime")
        if uptime is None:
            return
        if body["boot"] != node.boot or node.uptime < 0:
            if node.boot is not None and body["boot"] != node.boot:
                node.counts.clear()
            node.boot, node.uptime, node.uptime_us = body["boot"], uptime, at_us
            return
        ahead = (uptime - node.uptime) % UPTIME_MODULUS
        if ahead < UPTIME_MODULUS // 2:
            node.uptime += ahead
            node.uptime_us = at_us
        elif UPTIME_MODULUS - ahead > SET_BACK_MS:
            node.uptime, node.uptime_us = uptime, at_us

    def _clock(self, name: str, node: NodeMemory, said: tuple[int, int], at_us: int) -> None:
        """An event where a node's uptime in a boot is less than it was."""
        before, node.clock = node.clock, said
        if before is not None and before[0] == said[0]:
            back = (before[1] - said[1]) % UPTIME_MODULUS
            if SET_BACK_MS < back < UPTIME_MODULUS // 2:
                values = (("by ms", back),)
                self._add(name, ("uptime", "set back"), values, at_us, self.log.messages, UNKNOWN_UPTIME)

    def close(self) -> EventLog:
        """The recording is at its end; gives what was read."""
        spoke = {name: node.spoke_us for name, node in self._nodes.items() if node.spoke_us is not None}
        lengths = without_switching_off(self.log, spoke)
        for name, first in self._first.items():
            sequence = self.log.sequences[name]
            ordered = sorted(
                (index for index in first.values() if index < lengths[name]),
                key=lambda index: repr(self.log.names.meanings[sequence.meanings[index]]),
            )
            sequence.put_first(ordered)
        return self.log

    def _look(self, at_us: int) -> None:
        self._looked_us = at_us
        for name, node in self._nodes.items():
            if node.spoke_us is None or node.silent or not node.spoke_on:
                continue
            if at_us - node.spoke_us < SILENCE_US:
                continue
            node.silent = True
            due_us = max(node.due_us(), node.spoke_us)
            self._add(name, SILENCE, (), due_us, self.log.messages, UNKNOWN_UPTIME)


def _only_counted_on(last: Content, content: Content) -> bool:
    """Whether a berth says what it said, and counts one more pulse that it ignores: no event of its own."""
    rest = [tuple(value for value in values if value[0] != "ignored") for values in (last[1], content[1])]
    return last[0] == content[0] and rest[0] == rest[1]


def _cbor_int(data: bytes) -> int:
    return data[0] if len(data) == 1 else int.from_bytes(data[1:], "big")


def event_log_of(
    name: str,
    items: Iterable[Item],
    names: Names,
    tick: Callable[[], object] | None = None,
    *,
    trains: bool = True,
) -> EventLog:
    """The events of a recording; `tick` is called every 10,000 items. `trains` as for `EventReader`."""
    reader = EventReader(name, names, trains=trains)
    for number, item in enumerate(items):
        reader.take(item)
        if tick is not None and number % 10_000 == 0:
            tick()
    return reader.close()
