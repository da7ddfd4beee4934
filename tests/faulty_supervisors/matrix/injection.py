"""Fault injection in a supervisor: the shipped one, with what a breach bends of what it hears, decides and sends."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar
from zlib import crc32

from protocol.participant import Delivery, Publication
from protocol.specification import specification
from protocol.topics import parse_topic
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.send.messages import read_delivery
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_nodes.matrix.injection import Comparing
from tests.faulty_nodes.matrix.said import Said

Body = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Planted:
    """One faulty supervisor."""

    breach: str
    requirement: str
    says: str
    when: tuple[str, ...]
    percent: int | None = None
    from_pages: bool = False

    @property
    def id(self) -> str:
        """Its name, the same as long as its breach has its name."""
        beyond = "" if self.percent is None else f"+{self.percent}%"
        return f"{self.breach}{beyond}/{'+'.join(self.when)}"


class Record:
    """What one faulty supervisor heard and said, over all its lives."""

    def __init__(self) -> None:
        self._digest = hashlib.blake2b(digest_size=16)
        self.reached: set[str] | None = None
        """The contexts that held by now, where somebody wants to know."""

    def enter(self, *what: object) -> None:
        """Enter something that happened at its boundary."""
        self._enter(repr(what).encode())

    def _enter(self, what: bytes) -> None:
        self._digest.update(what)

    @property
    def fingerprint(self) -> str:
        """Of all that was entered."""
        return self._digest.hexdigest()


class Kept(Record):
    """A record with a mark for each entry, to hold another against."""

    def __init__(self) -> None:
        super().__init__()
        self.marks: list[int] = []
        self.reached = set()

    def _enter(self, what: bytes) -> None:
        self.marks.append(crc32(what))


class Compared(Comparing, Record):
    """The record of a supervisor, compared."""


class History:
    """What a supervisor has been through in this life, as far as a context asks for it."""

    def __init__(self) -> None:
        self.links = 0
        self.moving: Counter[str] = Counter()
        """Moving orders by node, each once."""
        self.claims: Counter[str] = Counter()
        self.sent: Counter[tuple[str, int]] = Counter()
        """How often each order went out."""
        self.boots: dict[str, set[int]] = {}
        self.held: dict[str, bool] = {}
        self.arrivals = 0
        self.silent = False
        self.encoding = ""
        self.first = ""
        self._heard_ms: dict[str, int] = {}

    def heard(self, node: str, message: str, body: Body, now_ms: int) -> None:
        """A live message of a node."""
        self.boots.setdefault(node, set()).add(body.get("boot", -1))
        self.arrivals = max(self.arrivals, body.get("arrival", 0) if message == "train-arrival" else 0)
        if "held" in body:
            self.held[node] = body["held"]
        self._heard_ms[node] = now_ms

    def passes(self, now_ms: int) -> None:
        """Time has passed."""
        most = specification().timing["state_silence"].most or 0
        self.silent = self.silent or any(now_ms - at > most for at in self._heard_ms.values())

    def orders(self, node: str, body: Body) -> None:
        """An order is about to go out."""
        if "id" not in body:
            return
        key = (node, body["id"])
        if not self.sent[key]:
            self.moving[node] += body["act"] in specification().jobs
            self.claims[node] += body["act"] == "claim"
            if body["act"] == "claim":
                self.first = self.first or node
        self.sent[key] += 1


def _after(state: str) -> Callable[[Injected, str], bool]:
    return lambda s, node: any(sent.state == state for _, _, sent in s.history)


CONTEXTS: dict[str, Callable[[Injected, str], bool]] = {
    "always": lambda s, node: True,
    "job-2": lambda s, node: s.been.moving[node] >= 2,
    "job-3": lambda s, node: s.been.moving.total() >= 3,
    "after-failed": _after("failed"),
    "after-refused": _after("refused"),
    "boot-2": lambda s, node: any(len(boots) > 1 for boots in s.been.boots.values()),
    "claim-2": lambda s, node: s.been.claims[node] >= 2,
    "held": lambda s, node: any(s.been.held.values()),
    "silent": lambda s, node: s.been.silent,
    "link-2": lambda s, node: s.been.links >= 2,
    "lost": lambda s, node: any(count > 2 for (to, _), count in s.been.sent.items() if to == node),
    "json": lambda s, node: s.been.encoding == "json",
    "cbor": lambda s, node: s.been.encoding == "cbor",
    "arrival-2": lambda s, node: s.been.arrivals >= 2,
    "other-node": lambda s, node: s.been.first not in ("", node),
}


class Injected(Supervisor):
    """A supervisor with one breach; `kind_of` gives the class for one."""

    planted: ClassVar[Planted | None] = None
    plant: ClassVar[Callable[[Any], None]]
    record: ClassVar[Record]
    been: History

    def __init__(self, *args: Any, **named: Any) -> None:
        self.been = History()
        self.rule_changes: list[Callable[[Rules], None]] = []
        self._orders: list[Callable[[Session, Body], Any]] = []
        self._alters: list[Callable[[Said], Any]] = []
        self._hears: list[Callable[[str, Body, Delivery], Delivery | None]] = []
        self.extra: list[Publication] = []
        super().__init__(*args, **named)
        self.record.enter("starts", self.boot, self.now_ms)
        for session in self.sessions.values():
            self._watch(session)
        if self.planted is not None:
            type(self).plant(self)

    def on(self, node: str = "") -> bool:
        """Whether the context holds now, at a node."""
        return self.planted is not None and all(CONTEXTS[one](self, node) for one in self.planted.when)

    @property
    def percent(self) -> int:
        """How far a number is beyond its limit."""
        return (self.planted.percent if self.planted else None) or 0

    def _reach(self, name: str = "") -> None:
        """Note which contexts hold: of a supervisor without a breach, for one that is like it until its own holds."""
        reached = self.record.reached
        if reached is None:
            return
        reached.update({name} - {""})
        for one, holds in CONTEXTS.items():
            if one not in reached and any(holds(self, node) for node in ("", *self.sessions)):
                reached.add(one)

    # ---------------------------------------------------------------- for breaches

    def orders(self, change: Callable[[Session, Body], Any]) -> None:
        """Change what goes to a node, in place; False leaves it out, a list stands for it."""
        self._orders.append(change)

    def alters(self, change: Callable[[Said], Any]) -> None:
        """Change an order as it is written."""
        self._alters.append(change)

    def hears(self, change: Callable[[str, Body, Delivery], Delivery | None]) -> None:
        """Give it another delivery; None leaves it."""
        self._hears.append(change)

    def wrap(self, owner: Any, name: str, other: Callable[..., Any], node: str = "") -> None:
        """Replace a method of a part; `other` gets the real one first."""
        real = getattr(owner, name)

        def either(*args: Any, **named: Any) -> Any:
            return other(real, *args, **named) if self.on(node) else real(*args, **named)

        setattr(owner, name, either)

    def each(self, name: str, other: Callable[..., Any]) -> None:
        """Replace a method of every session; `other` gets the session and the real one first."""
        for session in self.sessions.values():

            def bound(real: Any, *args: Any, _of: Session = session, **named: Any) -> Any:
                return other(_of, real, *args, **named)

            self.wrap(session, name, bound, session.name)

    def rule(self, name: str, other: Callable[..., Any]) -> None:
        """Replace a check before a moving order; `other` gets its arguments."""

        def change(rules: Rules) -> None:
            real = getattr(rules, name)
            setattr(
                rules,
                name,
                lambda *args: other(*args) if self.on(str(args[0]) if args else "") else real(*args),
            )

        self.rule_changes.append(change)

    # ---------------------------------------------------------------- a supervisor

    def _watch(self, session: Session) -> None:
        real = session.due

        def due(now_ms: int) -> list[Any]:
            out: list[Any] = []
            for body in real(now_ms):
                self.been.orders(session.name, dict(body))
                self._reach()
                many: list[Body] = [dict(body)]
                for change in self._orders if self.on(session.name) else ():
                    result = change(session, many[0])
                    if result is False:
                        many = []
                        break
                    many = list(result) if isinstance(result, list) else many
                out += many
            return out

        session.due = due  # type: ignore[method-assign]

    def new_rules(self, state: YardState) -> Rules:
        rules = super().new_rules(state)
        for change in self.rule_changes:
            change(rules)
        return rules

    def connected(self, now_ms: int) -> Sequence[Publication]:
        self.been.links += 1
        self._reach()
        self.record.enter("connected", now_ms)
        return self._out(super().connected(now_ms))

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self.record.enter("heard", now_ms, delivery)
        message = read_delivery(self.site, delivery)
        if message is not None:
            node = message.topic.node
            if not delivery.retain:
                self.been.heard(node, message.topic.message, dict(message.body), now_ms)
            for change in self._hears if self.on(node) else ():
                delivery = change(node, dict(message.body), delivery) or delivery
        self.been.passes(now_ms)
        self._reach()
        return self._out(super().receive(delivery, now_ms))

    def tick(self, now_ms: int) -> Sequence[Publication]:
        self.been.passes(now_ms)
        self._reach()
        return self._out(super().tick(now_ms))

    def _out(self, publications: Sequence[Publication]) -> list[Publication]:
        out: list[Publication] = []
        for publication in publications:
            topic = parse_topic(publication.topic)
            self.been.encoding = "json" if publication.payload[:1] == b"{" else "cbor"
            self._reach(self.been.encoding)
            if topic.message != "job-order" or not self._alters or not self.on(topic.node):
                out.append(publication)
                continue
            said = Said.of(publication)
            for change in self._alters:
                change(said)
            out.append(said.publication())
        extra, self.extra = self.extra, []
        self.record.enter(self.now_ms, out, extra)
        return [*out, *extra]


def kind_of(
    planted: Planted | None, plant: Callable[[Any], None] = lambda s: None, record: Record | None = None
) -> tuple[type[Injected], Record]:
    """The class of supervisors with a breach, and what will be recorded of them."""
    record = record or Record()
    kind = type(
        "InjectedSupervisor",
        (Injected,),
        {"planted": planted, "plant": staticmethod(plant), "record": record},
    )
    return kind, record
