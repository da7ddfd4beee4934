"""What all roles share: a table of states, sensor lines, and the job they may be given."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, Protocol

from protocol.guards import Order
from protocol.machine_guards import MACHINE_GUARDS
from protocol.specification import specification
from protocol.state_machine import Guards, StateMachine
from reference_node.mechanism.edge import Edge
from reference_node.sensing.debounce import Debounce


class Host(Protocol):
    """What a role asks of the node that it runs in."""

    @property
    def minor(self) -> int:
        """The minor version of the protocol that the node keeps to."""

    def keeps(self, requirement: str) -> bool:
        """Whether that minor version has this requirement."""

    @property
    def bench(self) -> bool:
        """Whether sensor levels come from a tester."""

    @property
    def held(self) -> bool:
        """Whether a hold stands."""

    @property
    def job_open(self) -> bool:
        """Whether a job of the node has not ended."""

    def step(self, step: str) -> None:
        """The job has come to `step`; reported when it is another than before."""

    def past_return(self) -> None:
        """From now on the job can no longer be undone by leaving off."""

    def finish(self) -> None:
        """What was asked is so."""

    def halt(self, role: Role, code: str, part: str | None = None) -> None:
        """`role` has a fault of level halt: the job fails and the machine stops."""

    def warn(self, code: str, part: str | None = None) -> None:
        """A fault of level warn."""

    def settle(self, code: str) -> None:
        """A fault has gone."""


class Role:
    """One role of a node. Subclasses say what moves. Times are ms of the caller's clock."""

    name: ClassVar[str]
    message: ClassVar[str]
    guards: ClassVar[Guards] = MACHINE_GUARDS

    def __init__(self, host: Host, sensors: dict[str, int], levels: dict[str, bool]) -> None:
        """`sensors` names each line with its debounce in us, `levels` says how each stands at the start."""
        self.host = host
        self.machine = StateMachine(specification().at(host.minor).tables[self.name], self.guards)
        self._settled_ms = 0
        """From when on a sensor that changes tells of a motion that nobody ordered."""
        self.lines = {sensor: Debounce(levels.get(sensor, False), us) for sensor, us in sensors.items()}

    def stands(self, now_ms: int) -> None:
        """It has come to stand, or was found standing: for a while its sensors may still change."""
        self._settled_ms = now_ms + int(specification().timing["settling"].value or 0)

    def was_pushed(self, changed: Sequence[str], now_ms: int, requirement: str) -> bool:
        """BER-10, SHT-07: a sensor changed where nothing was ordered; the machine is lost then."""
        if not changed or now_ms < self._settled_ms or not self.host.keeps(requirement):
            return False
        self.host.halt(self, "input-lost", changed[0])
        return True

    @property
    def state(self) -> str:
        """Mode of a crane, arrival state of a berth, state of a shuttle."""
        return self.machine.state

    @property
    def load(self) -> str | None:
        """What spreader or deck holds; None for a role that holds nothing."""
        return None

    @property
    def moving(self) -> bool:
        """Whether a motor is on."""
        return False

    @property
    def due_ms(self) -> int | None:
        """When `tick` has something to do next, sensors and machines aside."""
        return self.lines_due_ms

    @property
    def lines_due_ms(self) -> int | None:
        """When the next changed level will be believed."""
        due = [line.due_us for line in self.lines.values()]
        return min((-(-time // 1000) for time in due if time is not None), default=None)

    def body(self) -> dict[str, Any]:
        """What the state message of the role says of itself."""
        raise NotImplementedError

    def gist(self) -> dict[str, Any]:
        """The part of the body whose change is worth a message at once."""
        return self.body()

    # ---- questions of the guards

    def allows(self, act: str) -> bool:
        """Whether the table has a way on for `act` [CRN-03, BER-03, SHT-03]."""
        return self.machine.allows(act)

    def load_fits(self, order: Order) -> bool:
        """Whether the load is the one that the order needs."""
        return True

    def knows_place(self, order: Order) -> bool:
        """Whether places and slots are known."""
        return True

    def within_table(self, order: Order) -> bool:
        """Whether the rest reading was measured."""
        return True

    def within_reach(self, order: Order) -> bool:
        """Whether the targets are within the axes."""
        return True

    def finding_fits(self, order: Order) -> bool:
        """Whether a person's finding can be true here."""
        return True

    # ---- what happens to a role

    def accept(self, order: Order, now_ms: int) -> None:
        """A job is accepted; nothing moves yet."""

    def start(self, now_ms: int) -> None:
        """The accepted job starts."""
        raise NotImplementedError

    def edge(self, edge: Edge) -> None:
        """A raw edge on a sensor line; others' lines are none of this role's."""
        if edge.sensor in self.lines:
            self.lines[edge.sensor].feed(edge.at_us, edge.closed)

    def tick(self, now_ms: int) -> bool:
        """Time has passed; at most one thing changes. True where something did, and more may follow."""
        raise NotImplementedError

    def finished(self) -> None:
        """The job is reported done in the same breath."""

    def cancel(self, now_ms: int) -> None:
        """The job has ended as cancelled: stop."""

    def hold(self, now_ms: int) -> None:
        """Stop moving, keep the job, stop its time-outs."""

    def resume(self, now_ms: int) -> None:
        """Go on where the hold stopped."""

    def halt(self, now_ms: int) -> None:
        """Outputs off; a fault of level halt stands."""
        self.machine.fire("halt")

    def reset_fault(self, order: Order, now_ms: int) -> None:
        """A person has looked and no fault of level halt stands any more. Moves nothing [FLT-05]."""
        before = self.state
        self.machine.fire("reset-fault", {"order": order})
        if self.state != before:
            self.stands(now_ms)
