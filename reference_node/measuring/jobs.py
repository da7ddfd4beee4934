"""Jobs of crane and berth, one at a time: through every rule and gate, and to their end.

What is said to a node here waits for the node's own word of it; whatever fails to come ends the measurement.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

from protocol.site import CraneSite
from reference_node.measuring.gates import Gates
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.plan import Phase, Plan
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.plan.next_step import Step

CLAIM_MS = 30_000
"""How long nodes may take to be claimed and held, beside the time for which the name has to be ours."""
ORDER_MS = 5_000
"""How long an order may have to wait for its node to be ready."""
BY = "who measures"

Looks = Generator[None, None, None]
"""Goes on with each look around."""


class Ended(Exception):
    """The measurement is over. `held`: everything that reaches there is to be held."""

    def __init__(self, why: str, *, held: bool) -> None:
        super().__init__(why)
        self.held = held


class Jobs:
    """Orders one crane and the berth below it."""

    def __init__(self, supervisor: MeasuringSupervisor, plan: Plan, tell: Callable[[str], None]) -> None:
        """`tell` is called with lines for the person."""
        self.supervisor, self.plan, self._tell = supervisor, plan, tell
        crane = supervisor.site.nodes[plan.crane].crane
        assert crane is not None
        self.crane: CraneSite = crane
        self.berth = supervisor.site.places[plan.place].node
        self.gates = Gates(supervisor, plan.crane, plan.place, self.berth)
        self.phase = Phase.STARTING
        self.held = False
        """Whether a person has held everything."""

    # ------------------------------------------------------------ what the nodes say
    @property
    def berth_word(self) -> Any:
        """The newest state of the berth; empty before the first."""
        return self.supervisor.sessions[self.berth].word("train-arrival") or {}

    @property
    def crane_word(self) -> Any:
        """The newest state of the crane; empty before the first."""
        return self.supervisor.sessions[self.plan.crane].word("crane-status") or {}

    @property
    def stands(self) -> tuple[int, ...]:
        """Where each axis of the crane is."""
        return tuple(int(axis[0]) for axis in self.crane_word["axes"])

    # ------------------------------------------------------------ jobs
    def must(self, node: str, act: str, **fields: Any) -> Looks:
        """A job without which nothing goes on. Raises Ended."""
        sent = yield from self.job(node, act, **fields)
        if sent is None or sent.state != "done":
            raise Ended(f"{node}: {act} came to nothing", held=True)

    def job(self, node: str, act: str, **fields: Any) -> Generator[None, None, SentOrder | None]:
        """Order a job as soon as every rule lets it, and wait for its end; None where no rule let it in time.

        Raises Ended where a gate does not let it, or the node says nothing of its end.
        """
        self.phase = Phase.MOVING
        since, step = self.supervisor.now_ms, Step(node, act, fields)
        while why := (self.supervisor.why_not(step) if not self.held else "it is held"):
            if self.supervisor.now_ms - since > ORDER_MS and not self.held:
                self._tell(f"not done: {why}")
                return None
            yield
        missing = self.gates.before_job(node, len(self.crane.axes) - 1)
        if missing:
            raise Ended(missing, held=True)
        before = len(self.supervisor.history)
        self.supervisor.start(step)
        session = self.supervisor.sessions[node]
        since, limit_ms = self.supervisor.now_ms, self.crane.job_timeout_ms + 2 * CLAIM_MS
        while len(self.supervisor.history) == before or not session.idle() or not self._told(node):
            if self.held:
                since = self.supervisor.now_ms
            if self.supervisor.now_ms - since > limit_ms:
                raise Ended(f"{node} has said nothing of the end of its {act}", held=True)
            yield
        sent: SentOrder = self.supervisor.history[-1][2]
        if sent.state != "done":
            self._tell(f"{node}: {act} {sent.state}" + (f" ({sent.reason})" if sent.reason else ""))
        return sent

    def _told(self, node: str) -> bool:
        """Whether its newest state is newer than the end of its job."""
        return bool(self.crane_word if node == self.plan.crane else self.berth_word)

    # ------------------------------------------------------------ holds
    def hold_near(self) -> None:
        """Hold everything that reaches there."""
        for name in self.gates.near:
            self.supervisor.hold(name, BY)

    def hold_berth(self) -> Looks:
        """Hold the berth until it says so. Raises Ended."""
        if self.berth not in self.supervisor.holds:
            self.supervisor.hold(self.berth, BY)
        yield from self.until(
            lambda: not self.gates.not_held(), CLAIM_MS, lambda: f"{self.berth} does not say that it is held"
        )

    def free_berth(self) -> Looks:
        """Let the berth go until it says so. Raises Ended."""
        why = self.supervisor.release(self.berth) if self.berth in self.supervisor.holds else ""
        if why:
            raise Ended(f"{self.berth} cannot be let go: {why}", held=True)
        nodes = self.supervisor.look
        yield from self.until(
            lambda: bool(self.berth_word) and not nodes().nodes[self.berth].held,
            CLAIM_MS,
            lambda: f"{self.berth} stays held",
        )

    def until(self, so: Callable[[], bool], within_ms: int, why: Callable[[], str]) -> Looks:
        """Wait until it is so. Raises Ended with `why` where it does not become so in time."""
        since = self.supervisor.now_ms
        while not so():
            if self.supervisor.now_ms - since > within_ms:
                raise Ended(why(), held=True)
            yield
