"""What a session knows of its node: boot, mark, claim, words, and the orders that are open.

The state is that of the table `belief`. Nothing here sends or takes a message.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from typing import Any, ClassVar

from protocol.machine_guards import MACHINE_GUARDS, silence_ms
from protocol.site import NodeSite
from protocol.specification import OPEN, STATE_OF_ROLE, specification
from protocol.state_machine import Guards, StateMachine
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.words import Words

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Event:
    """What a session has found out: answered, owned, new-boot, replaced, or ended (with the order)."""

    kind: str
    sent: SentOrder | None = None


class KnownNode:
    """What one supervisor knows of one node, and what it has sent to it. Times are ms of the caller's clock."""

    guards: ClassVar[Guards] = MACHINE_GUARDS

    def __init__(self, node: NodeSite, rng: Random, pace: Pace | None = None) -> None:
        self.node = node
        self.pace = pace or Pace()
        self.machine = StateMachine(specification().tables["belief"], self.guards)
        self.boot: int | None = None
        """Boot of the newest live message."""
        self.mark = 0
        self._said = Words()
        self.hints: dict[str, Body] = {}
        """Retained messages, good for a display only."""
        self.heard_ms: int | None = None
        """When the newest live state message came over the present connection."""
        self.spoke_ms: int | None = None
        """When the newest live state message came at all."""
        self.first_answer: tuple[int, int] | None = None
        """Boot and mark of the first answer, before any claim of this supervisor."""
        self.first_uptime = self.first_answered_ms = 0
        """Uptime in the first answer, and when it came."""
        self.claim = 0
        """Id of the newest claim that was answered with itself as the mark; 0 without one in this boot."""
        self.may_claim = True
        """Set by the supervisor: False keeps a session at 'answered'."""
        self.may_repeat = True
        """Set by the supervisor: False sends no job, the open one neither."""
        self.open: dict[int, SentOrder] = {}
        """Orders without a final report, by id; a cancel too."""
        self._rng = rng
        self._events: list[Event] = []
        self._token: int | None = None
        self._asked_ms: int | None = None
        self._pending_claim = 0
        self._claimant: int | None = None
        self._claimed_ms = 0
        self._highest = 0
        self._giving_up: list[SentOrder] = []
        self._to_send: set[str] = set()
        """What the rows taken since the last `due` send: ask, claim."""

    # ------------------------------------------------------------ what is known
    @property
    def name(self) -> str:
        """The node's name."""
        return self.node.name

    @property
    def words(self) -> dict[str, Body]:
        """Newest live state message of this boot by message name."""
        return self._said.newest

    @property
    def uptime(self) -> int:
        """Uptime of the node's newest message, in its own ms."""
        return self._said.uptime

    @property
    def minor(self) -> int:
        """The minor version that it says; 0 before it has said one."""
        return int(self.words.get("node-status", {}).get("minor", 0))

    @property
    def belief(self) -> str:
        """The state of the table `belief`."""
        return self.machine.state

    @property
    def owned(self) -> bool:
        """Whether orders may be sent: the newest claim was answered with its own id."""
        return self.machine.state == "owned"

    @property
    def replaced(self) -> bool:
        """Whether another supervisor has claimed the node since."""
        return self.belief == "replaced"

    @property
    def job(self) -> SentOrder | None:
        """The open job, if there is one."""
        for sent in self.open.values():
            if sent.is_job:
                return sent
        return None

    def word(self, message: str) -> Body | None:
        """The node's newest `message`, if it was said after the claim; only on that anything is started.

        The mark in it proves that: it is not below the claim. Fault carries none and is only ever read
        together with the node's own check of the fault count [FLT-04]. A word older than the report that
        ended the last order tells nothing either: what that order changed is not in it.
        """
        body = self._said.reliable(message)
        if body is None or not self.owned or not self.claim:
            return None
        return body if message == "fault" or int(body.get("mark", -1)) >= self.claim else None

    def has_reported(self) -> bool:
        """Whether the node has told all its states since the claim."""
        states = self._states()
        return bool(states) and None not in states

    def idle(self) -> bool:
        """Whether, by words newer than the claim, no job is open, and none was sent that is [SUP-12]."""
        if self.job is not None or self._giving_up:
            return False
        return all(state is not None and state.get("job_state") not in OPEN for state in self._states())

    def _states(self) -> list[Body | None]:
        return [self.word(STATE_OF_ROLE[role]) for role in self.node.roles if role in STATE_OF_ROLE]

    def reachable(self, now_ms: int) -> bool:
        """Whether the newest state message is young enough to start something [SUP-21]."""
        return self.heard_ms is not None and now_ms - self.heard_ms <= silence_ms()
