"""What befalls a simulated node, and the job that it is at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import InitVar, dataclass, field
from typing import Any, ClassVar

from conformance.peers.machines import Machine, Stage
from protocol.specification import specification
from protocol.state_machine import StateMachine

Body = Mapping[str, Any]
USUAL_JOB_MS = 1500


@dataclass(slots=True)
class Disturbances:
    """What befalls a node. As it comes nothing does."""

    asleep: bool = False
    """It neither hears nor says anything, as if its power were off."""
    stays_off: bool = False
    """It does not wake when all the others do."""
    hears: Callable[[Body], bool] = lambda _order: True
    """Whether an order reaches it."""
    says: Callable[[str, Body], bool] = lambda _message, _body: True
    """Whether a message of its own gets through."""
    before: Callable[[Body], None] = lambda _order: None
    """What happens at the node just before an order is handled."""
    token: Callable[[int], int] = lambda token: token
    """The token in the answer to an ask: another one where an old answer comes late."""
    writes: Callable[[bytes], bytes] = lambda payload: payload
    """What becomes of a payload of its own."""
    announces: dict[str, Any] = field(default_factory=dict)
    """What its node-status says otherwise than the site file."""
    refuses: dict[str, str] = field(default_factory=dict)
    """Act to the reason for which the next such job is refused."""
    waits: set[str] = field(default_factory=set)
    """Acts of which the next job waits for something that does not come before its deadline."""
    job_ms: int = USUAL_JOB_MS
    """How long a job takes."""


@dataclass(slots=True)
class SimulatedJob:
    """The current or last job."""

    id: int
    act: str
    boot: int
    begins: InitVar[str]
    """The state of the table `job` that it begins in."""
    box: str = ""
    step: str = ""
    late_ms: int | None = None
    """When it is too late to start, for one that waits."""
    due: list[tuple[int, Stage]] = field(default_factory=list)
    """Stages to come, with the instant of each in ms."""
    machine: Machine | None = None
    states: StateMachine = field(init=False)

    past_return: ClassVar[bool] = False
    """A node asks this before it cancels; a simulated one looks at its load first."""

    def __post_init__(self, begins: str) -> None:
        self.states = StateMachine(specification().tables["job"], state=begins)

    @property
    def waits_until_ms(self) -> int | None:
        """When it is too late for it to start; None for one that does not wait, or not any more."""
        return self.late_ms if self.state == "accepted" else None

    @property
    def state(self) -> str:
        """accepted, running, done, failed or cancelled."""
        return self.states.state
