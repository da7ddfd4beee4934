"""One immutable picture of the yard, made from sessions and inventory: all that planner, rules and questions read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from protocol.site import Site
from protocol.specification import STATE_OF_ROLE
from reference_node.supervisor.observe.boxes import Boxes
from reference_node.supervisor.observe.gap import Gap
from reference_node.supervisor.observe.session import Session

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class NodeState:
    """One node, as far as its supervisor knows it."""

    name: str
    owned: bool
    boot: int | None
    """Its boot; None before the first live message."""
    status: Body
    """The newest node-status of this boot, said after the claim or before; {} where there is none."""
    words: Mapping[str, Body]
    """The newest messages by name, only those that were said after the claim."""
    active_faults: tuple[str, ...]
    """By the newest fault message of this boot."""
    has_reported: bool
    """Whether it has told all its states since the claim."""
    idle: bool
    """Whether it has no job open, by its own word and by the reports on what was sent."""
    reachable: bool
    """Whether its newest state is young enough to start something [SUP-21]."""
    job: str
    """Act of the open job, '' without one."""
    open_acts: tuple[str, ...]
    """Acts of all orders that have no final report."""

    @classmethod
    def of(cls, session: Session, now_ms: int) -> NodeState:
        """What `session` knows at `now_ms`, in ms of the supervisor's clock."""
        words = {message: session.word(message) for message in session.words}
        job = session.job
        return cls(
            session.name,
            session.owned,
            session.boot,
            session.words.get("node-status", {}),
            MappingProxyType({message: word for message, word in words.items() if word is not None}),
            tuple(session.words.get("fault", {}).get("active", ())),
            session.has_reported(),
            session.idle(),
            session.reachable(now_ms),
            job.act if job is not None else "",
            tuple(sent.act for sent in session.open.values()),
        )

    def says(self, key: str) -> Any:
        """`key` of whichever state message of a role carries it, said after the claim; None if none does."""
        for message in STATE_OF_ROLE.values():
            word = self.words.get(message)
            if word is not None and key in word:
                return word[key]
        return None

    @property
    def held(self) -> bool:
        """Whether it says that a hold stands."""
        return bool(self.says("held"))


@dataclass(frozen=True, slots=True)
class AskedOf:
    """A question that is open, and where a person may be looking for the answer [SUP-19]."""

    node: str
    place: str
    text: str


@dataclass(frozen=True, slots=True)
class YardState:
    """What is known of the yard at one time. Made again for every decision: an order that goes out changes it."""

    site: Site
    now_ms: int
    nodes: Mapping[str, NodeState]
    boxes: Boxes
    all_owned: bool
    """Whether every node of the site has been owned [SUP-01]."""
    own_holds: frozenset[str] = frozenset()
    """The nodes that this supervisor holds, whether the hold has reached them yet or not."""
    obeyed_holds: frozenset[str] = frozenset()
    """Those of them that say that they have obeyed it."""
    gap: Gap | None = None
    """The time without the bus after which nobody has let the work go on yet."""
    questions: tuple[AskedOf, ...] = ()

    def word(self, node: str, message: str) -> Body | None:
        """The newest `message` of `node`, if it was said after the claim."""
        return self.nodes[node].words.get(message)

    def idle(self, node: str) -> bool:
        """Whether `node` has no job open, by its own word and by the reports on what was sent."""
        return self.nodes[node].idle


def node_states(sessions: Iterable[Session], now_ms: int) -> Mapping[str, NodeState]:
    """Every node by name."""
    return MappingProxyType({session.name: NodeState.of(session, now_ms) for session in sessions})
