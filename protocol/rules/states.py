"""What machines may do from one state message to the next: tables, counts of arrivals, stops, faults."""

from __future__ import annotations

from collections.abc import Iterator

from protocol.counting import next_count
from protocol.rules.order_history import OrderHistory
from protocol.rules.received import NOTHING, Body, Breach, ReceivedMessage
from protocol.specification import specification

MACHINES = {
    "crane-status": ("crane", "mode", "CRN-02", "CRN-01"),
    "train-arrival": ("berth", "state", "BER-02", "BER-01"),
    "shuttle-status": ("shuttle", "state", "SHT-02", "SHT-01"),
}
"""Message to table, field of the state, requirement of the table, requirement of the first state."""
COUNTS = {
    "train-arrival": ("arrival", "BER-06", "the arrival count"),
    "shuttle-status": ("stop", "SHT-05", "the stop count"),
}
UNMOVED = {"crane": {"unhomed", "faulted", "manual"}, "berth": {"lost"}, "shuttle": {"lost"}}
"""What a machine can be before its node has handled any order of this boot."""


class States:
    """Judges state messages of cranes, berths and shuttles, and fault."""

    def __init__(self, history: OrderHistory) -> None:
        self._history = history
        self._last: dict[tuple[str, str], tuple[Body, int]] = {}
        self._marks: dict[tuple[str, str], tuple[int, int]] = {}

    def forget(self) -> None:
        """There is a gap in what was heard."""
        self._last.clear()
        self._marks.clear()

    def hear(self, heard: ReceivedMessage) -> Iterator[Breach]:
        """Judge one message."""
        yield from self._mark(heard)
        if heard.message in MACHINES:
            yield from self._first(heard)
        if heard.message not in MACHINES and heard.message != "fault":
            return
        key = (heard.node, heard.message)
        before, since = self._last.get(key, (NOTHING, 0))
        self._last[key] = (heard.body, heard.number)
        if before and not heard.lost:
            yield from self._step(heard, before, since)

    def _step(self, heard: ReceivedMessage, before: Body, since: int) -> Iterator[Breach]:
        if heard.message == "fault":
            yield from self._faults(heard, before, since)
            return
        table, field, requirement, _ = MACHINES[heard.message]
        was, is_ = before[field], heard.body[field]
        spec = specification().at(self._history.minors.get(heard.node))
        if not spec.tables[table].allows(was, is_):
            yield heard.breach(
                requirement, f"went from {was!r} to {is_!r}, which no table allows", since=since
            )
        yield from self._holds(heard, before, since)
        if heard.message in COUNTS:
            yield from self._count(heard, before, since)
        if heard.message == "crane-status":
            yield from self._crane(heard, before, since)

    def _mark(self, heard: ReceivedMessage) -> Iterator[Breach]:
        mark = heard.body.get("mark")
        if mark is None:
            return
        key = (heard.node, heard.message)
        boot = heard.body["boot"]
        before = self._marks.get(key)
        self._marks[key] = (boot, mark)
        if before is not None and before[0] == boot and mark < before[1]:
            yield heard.breach("ORD-08", f"the mark went down from {before[1]} to {mark} within a boot")

    def _first(self, heard: ReceivedMessage) -> Iterator[Breach]:
        table, field, _, requirement = MACHINES[heard.message]
        state = heard.body[field]
        key = (heard.node, heard.message)
        before = self._last.get(key, (NOTHING, 0))[0]
        if heard.body["mark"] or state in UNMOVED[table] or before.get("boot") == heard.body["boot"]:
            return
        yield heard.breach(requirement, f"is {state!r} though no order of this boot was handled yet")

    def _holds(self, heard: ReceivedMessage, before: Body, since: int) -> Iterator[Breach]:
        was, is_ = before["holds"], heard.body["holds"]
        if heard.body["held"] and not before["held"] and is_ == was:
            yield heard.breach("HLD-01", "is held, but the count of holds did not go up", since=since)

    def _count(self, heard: ReceivedMessage, before: Body, since: int) -> Iterator[Breach]:
        field, requirement, name = COUNTS[heard.message]
        was, is_ = before[field], heard.body[field]
        if is_ not in (was, next_count(was)):
            yield heard.breach(requirement, f"{name} went from {was} to {is_}", since=since)

    def _crane(self, heard: ReceivedMessage, before: Body, since: int) -> Iterator[Breach]:
        body = heard.body
        for number, (was, is_) in enumerate(zip(before["axes"], body["axes"], strict=False), 1):
            if is_[2] and not was[2] and before["mode"] not in ("homing", "working"):
                what = f"axis {number} became homed while the crane was {before['mode']!r}"
                yield heard.breach("CRN-11", what, since=since)
        ended = before["mode"] == "working" and body["mode"] == "ready" and body.get("job_state") == "done"
        apart = [axis for axis in body["axes"] if axis[0] != axis[1]]
        if ended and apart:
            what = f"is ready after its job at {apart[0][0]}, but was sent to {apart[0][1]}"
            yield heard.breach("CRN-11", what, since=since)

    def _faults(self, heard: ReceivedMessage, before: Body, since: int) -> Iterator[Breach]:
        was, is_ = before["faults"], heard.body["faults"]
        spec = specification()
        new = set(heard.body["active"]) - set(before["active"])
        halts = [code for code in new if spec.fault_level(code) == "halt"]
        if is_ not in (was, next_count(was)) and len(halts) < 2:
            yield heard.breach("FLT-01", f"the fault count went from {was} to {is_}", since=since)
        if new and not halts and is_ != was and heard.body.get("level") == "warn":
            what = f"{', '.join(sorted(new))} is a warning, but the fault count went up"
            yield heard.breach("FLT-03", what, since=since)
        if halts and is_ == was:
            what = f"{', '.join(sorted(halts))} halts, but the fault count stayed {was}"
            yield heard.breach("FLT-02", what, since=since)
