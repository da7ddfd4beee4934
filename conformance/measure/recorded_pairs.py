"""Pairs from recordings: where a crane stood after its last jog while a train was at rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from conformance.measure.pairs import Approach, Pair
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage

OTHERS = frozenset({"transfer", "park", "home"})
"""Jobs after which nobody knows what a jog was for."""


@dataclass(slots=True)
class _Rest:
    """A train at rest, and the crane since."""

    reading: int
    train: str
    arrival: tuple[int, int]
    jogged: Pair | None = None


@dataclass(slots=True)
class _Crane:
    at: int | None = None
    """Where the first axis stood after its last job."""
    way: Approach = Approach.UNKNOWN
    done: set[tuple[int, int]] = field(default_factory=set)
    jog: bool = False
    """Whether a jog has ended and its place has not been told yet."""


def recorded_pairs(items: Iterable[Item], crane: str, berth: str, slot: int) -> Iterator[Pair]:
    """One pair for each arrival: the last place to which `crane` was jogged while the train rested.

    `slot` is the figure of the slot on the first axis, which is taken off. A job that is no jog (a transfer, a park)
    ends the jogging of its arrival: what was found before it stays.
    """
    reader, heard = BulkReader(), _Heard(slot)
    for item in items:
        topic = reader.topic(item.topic) if isinstance(item, RecordedMessage) else None
        if topic is None or not isinstance(item, RecordedMessage):
            continue
        body = reader.read(item.topic, item.payload).body
        if body is None:
            continue
        if (topic.node, topic.message) == (berth, "train-arrival"):
            yield from heard.berth(body)
        elif (topic.node, topic.message) == (crane, "job-report"):
            heard.report(body)
        elif (topic.node, topic.message) == (crane, "crane-status"):
            heard.crane(body, item.at_us / 1_000_000)
    yield from heard.left()


class _Heard:
    """What crane and berth have said so far."""

    def __init__(self, slot: int) -> None:
        self._slot, self._state = slot, _Crane()
        self._at_rest: _Rest | None = None
        self._closed = False
        """Whether the crane has done something else than jogs since the train rests."""

    def berth(self, body: Mapping[str, Any]) -> Iterator[Pair]:
        """A train has come to rest, or has left: then its pair is known."""
        now, before = _rest(body), self._at_rest
        if before is not None and now is not None and now.arrival == before.arrival:
            return
        yield from self.left()
        self._at_rest, self._closed, self._state.way = now, False, Approach.UNKNOWN

    def left(self) -> Iterator[Pair]:
        """The pair of the train that was at rest, if there is one."""
        if self._at_rest is not None and self._at_rest.jogged is not None:
            yield self._at_rest.jogged
        self._at_rest = None

    def report(self, body: Mapping[str, Any]) -> None:
        """A job of the crane goes on or ends."""
        self._closed |= body["act"] in OTHERS
        self._state.jog |= _new_jog(body, self._state)

    def crane(self, body: Mapping[str, Any], at_s: float) -> None:
        """Where the crane stands, once a jog has ended."""
        state, rest = self._state, self._at_rest
        stands = state.jog and _stood(body, state)
        if stands and rest is not None and not self._closed and state.at is not None:
            rest.jogged = Pair(rest.reading, float(state.at - self._slot), state.way, rest.train, at_s)


def _rest(body: Mapping[str, Any]) -> _Rest | None:
    if body.get("state") != "at-rest":
        return None
    return _Rest(int(body["reading"]), str(body.get("train", "")), (int(body["boot"]), int(body["arrival"])))


def _new_jog(body: Mapping[str, Any], state: _Crane) -> bool:
    """Whether a jog has just been done; its report may come again."""
    key = (int(body.get("order_boot", 0)), int(body.get("id", 0)))
    if body["act"] != "jog" or body["state"] != "done" or key in state.done:
        return False
    state.done.add(key)
    return True


def _stood(body: Mapping[str, Any], state: _Crane) -> bool:
    """Take the place where a jog has ended, once the crane says that it stands there; False before."""
    position, target, homed = body["axes"][0]
    if body["mode"] != "ready" or not homed or position != target:
        return False
    if state.at is not None and position != state.at:
        state.way = Approach.UP if position > state.at else Approach.DOWN
    state.at, state.jog = position, False
    return True
