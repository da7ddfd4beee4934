"""The role of a berth: lets a train in, finds out where it came to rest, lets it go."""

from __future__ import annotations

from typing import Any, Protocol

from protocol.counting import next_count
from protocol.guards import Order
from protocol.site import BerthSite
from reference_node.mechanism.edge import Edge
from reference_node.roles.role import Host, Role
from reference_node.sensing.arrival import Arrival, arrival_settings

DEPART_POWER = 100
"""A train that leaves goes fast, so that its couplings follow each other in less than the quiet time."""


class Motor(Protocol):
    """The berth's one output."""

    def drive(self, power: int) -> None:
        """Give the track a duty of 0 to 100 percent."""


class Berth(Role):
    """Arrivals one after the other, through the states of `tables/berth.toml`."""

    name = "berth"
    message = "train-arrival"

    def __init__(self, host: Host, site: BerthSite, motor: Motor, levels: dict[str, bool]) -> None:
        super().__init__(host, dict.fromkeys(("arming", "end"), site.debounce_ms * 1000), levels)
        self._site, self._motor = site, motor
        self._raw = {sensor: line.level for sensor, line in self.lines.items()}
        self.arrival = Arrival(arrival_settings(site))
        self.count = 0
        self._act: str | None = None
        self._train: str | None = None
        self._held_ms: int | None = None
        self._last_ms = 0
        self._saw_it_move = self._coasts = False

    @property
    def due_ms(self) -> int | None:
        """Debounce and time-outs of an arrival or a departure."""
        due = [self.lines_due_ms]
        if self.state in ("admitting", "armed"):
            due.append(self.arrival.due_ms)
        if self.state == "leaving" and self._held_ms is None:
            due.append(self._leaving_due_ms)
        return min((time for time in due if time is not None), default=None)

    def body(self) -> dict[str, Any]:
        """State, arrival, and at rest the reading [BER-06]."""
        body: dict[str, Any] = {
            "state": self.state,
            "arrival": self.count,
            "ignored": self.arrival.ignored % 65536,
        }
        if self.state == "at-rest":
            body |= {"reading": self.arrival.reading, "arm_to_end": self.arrival.arm_to_end_ms}
        if self._train is not None and self.state != "empty":
            body["train"] = self._train
        return body

    def finding_fits(self, order: Order) -> bool:
        """Of a track a person can say that it is empty, and no more."""
        return order.get("found") == "none" and "place" not in order

    def accept(self, order: Order, now_ms: int) -> None:
        """BER-06: every admit that is accepted is an arrival of its own."""
        self._act = order["act"]
        if self._act == "admit":
            self.count = next_count(self.count)
            self._train = order.get("train")

    def start(self, now_ms: int) -> None:
        """The motor goes on; from here no way leads back."""
        assert self._act is not None
        self.machine.fire(self._act)
        self.host.past_return()
        if self._act == "admit":
            self._coasts = False
            self.arrival.begin(now_ms, self._raw)
            self._motor.drive(self.arrival.power)
            self.host.step("approach")
        else:
            self._last_ms, self._saw_it_move = now_ms, False
            self._motor.drive(DEPART_POWER)
            self.host.step("leaving")

    def edge(self, edge: Edge) -> None:
        """BER-08: edges go through the debounce."""
        super().edge(edge)
        if edge.sensor in self._raw:
            self._raw[edge.sensor] = edge.closed
            if self.arrival.under_way:
                before = self.arrival.ignored
                self.arrival.edge(edge)
                self._ignore_ends(before)

    def tick(self, now_ms: int) -> bool:
        """One thing at a time, so that every state is told."""
        changed = [name for name, line in self.lines.items() if line.settle(now_ms * 1000) is not None]
        if self.state in ("admitting", "armed"):
            return self._arrive(now_ms)
        if self.state == "leaving":
            return self._leave(now_ms, sensed=bool(changed))
        return self.state in ("empty", "at-rest") and self.was_pushed(changed, now_ms, "BER-10")

    def hold(self, now_ms: int) -> None:
        """HLD-03: motor off, time-outs stopped."""
        self.arrival.hold(now_ms)
        self._held_ms = now_ms
        self._motor.drive(0)

    def resume(self, now_ms: int) -> None:
        """HLD-05: the motor goes on again if it was on for an open job."""
        self.arrival.resume(now_ms)
        if self._held_ms is not None:
            self._last_ms += now_ms - max(self._held_ms, self._last_ms)
        self._held_ms = None
        if self.state in ("admitting", "armed"):
            self._motor.drive(self.arrival.power)
        elif self.state == "leaving":
            self._motor.drive(DEPART_POWER)

    def halt(self, now_ms: int) -> None:
        """Outputs off; nobody knows where the train is."""
        self.arrival.give_up()
        self._motor.drive(0)
        super().halt(now_ms)

    def finished(self) -> None:
        """At rest or gone: the outputs are off."""
        self._motor.drive(0)

    def _ignore_ends(self, before: int) -> None:
        """BER-04: until armed a pulse of the end sensor changes nothing; it is counted."""
        for _ in range(self.arrival.ignored - before):
            self.machine.fire("end")

    def _arrive(self, now_ms: int) -> bool:
        before = self.arrival.ignored
        self.arrival.tick(now_ms)
        self._ignore_ends(before)
        self._motor.drive(self.arrival.power)
        arrival = self.arrival.state
        if arrival == "lost":
            self._lost()
        elif self.state == "admitting" and arrival != "admitting":
            self.machine.fire("arming")
            self.host.step("arming-passed")
        elif self.state == "armed" and arrival == "at-rest":
            self.machine.fire("rest")
            self.stands(now_ms)
            self.host.finish()
        elif self.state == "armed" and not self._coasts and not self.host.held and self.arrival.power == 0:
            self._coasts = True
            self.host.step("coasting")
        else:
            return False
        return True

    def _lost(self) -> None:
        parts = {"not-armed": "arming", "end-missed": "end", "input-lost": "arming"}
        reason = self.arrival.reason or "input-lost"
        self.host.halt(self, reason, parts[reason])

    @property
    def _leaving_due_ms(self) -> int:
        wait_ms = self._site.clear_ms if self._saw_it_move else self._site.arming_timeout_ms
        return self._last_ms + wait_ms

    def _leave(self, now_ms: int, *, sensed: bool) -> bool:
        """Gone once the sensors, having seen it move, have been quiet for long enough."""
        if sensed:
            self._saw_it_move, self._last_ms = True, now_ms
        if self._held_ms is not None or now_ms < self._leaving_due_ms:
            return False
        if self._saw_it_move:
            self.machine.fire("gone")
            self.stands(now_ms)
            self.host.finish()
        else:
            self.host.halt(self, "train-stuck")
        return True
