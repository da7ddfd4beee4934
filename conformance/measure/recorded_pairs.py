"""Pairs from recordings: where a crane stood after its last jog while a train was at rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from conformance.measure.pairs import Approach, Pair
from protocol.bulk_reading import BulkReader
from protocol.recording import Item, RecordedMessage


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
    reader, state = BulkReader(), _Crane()
    rest: _Rest | None = None
    closed = False
    for item in items:
        if not isinstance(item, RecordedMessage):
            continue
        topic = reader.topic(item.topic)
        if topic is None or topic.node not in (crane, berth):
            continue
        body = reader.read(item.topic, item.payload).body
        if body is None:
            continue
        if topic.node == berth and topic.message == "train-arrival":
            now = _rest(body)
            if rest is not None and (now is None or now.arrival != rest.arrival):
                if rest.jogged is not None:
                    yield rest.jogged
                rest = None
            if now is not None and rest is None:
                rest, closed, state.way = now, False, Approach.UNKNOWN
        elif topic.node == crane and topic.message == "job-report":
            closed |= (
                body["act"] not in ("jog", "ask", "claim", "hold", "resume") and body["state"] == "running"
            )
            state.jog |= _new_jog(body, state)
        elif topic.node == crane and topic.message == "crane-status" and state.jog:
            _stood(body, state)
            if not state.jog and rest is not None and not closed and state.at is not None:
                rest.jogged = Pair(
                    rest.reading, float(state.at - slot), state.way, rest.train, item.at_us / 1_000_000
                )
    if rest is not None and rest.jogged is not None:
        yield rest.jogged


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


def _stood(body: Mapping[str, Any], state: _Crane) -> None:
    """Take the place where a jog has ended, once the crane says that it stands there."""
    position, target, homed = body["axes"][0]
    if body["mode"] != "ready" or not homed or position != target:
        return
    if state.at is not None and position != state.at:
        state.way = Approach.UP if position > state.at else Approach.DOWN
    state.at, state.jog = position, False
