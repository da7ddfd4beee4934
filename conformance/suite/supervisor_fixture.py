"""The fixture of a supervisor: what a case can let happen to the simulated nodes, and what it sees of what is sent."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import wraps
from random import Random
from typing import Any, NamedTuple

from conformance.oracle.link_log import Message
from conformance.oracle.supervisor_knowledge import JudgedOrder, SupervisorKnowledge
from conformance.oracle.wording import in_words
from conformance.peers.node import SimulatedNode
from conformance.peers.yard import Incident
from conformance.suite.brief import BoxRoute, Brief, brief_for, route_of
from conformance.suite.case import Body as CaseBody
from conformance.suite.case import Condition, case
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Unclear
from conformance.suite.yard_bench import YardBench
from protocol.participant import Publication
from protocol.site import NodeSite, Site
from protocol.specification import OPEN
from protocol.topics import parse_topic
from protocol.wire.packet import Connect

FIRST_ASK_MS = 30_000
DRAINED_MS = 1_000
"""How long orders of the supervisor before may be on their way; lost ones never come."""
LOOK_MS = 500
"""How often it is looked whether its program has failed."""
OWNED_MS = 30_000
WORK_MS = 180_000
"""How long a supervisor may take to get to an order, with all the time that its manners ask for."""
CROSSING_MS = 200
"""What the supervisor sends within so long of a message may have left it before it had read that."""
TRIES = 5
"""How often a node says what may get lost on the way, before a case gives up."""
QUIET_MS = 8_000
"""How long it is watched for what it must not do."""

Prepared = Mapping[str, Callable[[SimulatedNode], None]]


class SupervisorRun(NamedTuple):
    """One run of the supervisor under test: the traces after the first and up to the last."""

    after: int
    until: int | None


class SupervisorFixture(Fixture):
    """A supervisor under test among simulated nodes. Every case begins with `begin`: a fresh supervisor."""

    def __init__(self, bench: YardBench, site: Site, name: str, rng: Random, slow: float = 1.0) -> None:
        super().__init__(bench, site, name, rng, slow)
        self.yard = bench
        self._route = route_of(site)
        self.starts: list[int] = []
        """The number of the newest trace before each run."""
        self._later = False

    # ------------------------------------------------------------ what there is
    @property
    def route(self) -> BoxRoute:
        """What the supervisor is to do."""
        assert self._route is not None, "the cases ask for it by `has_route`"
        return self._route

    @property
    def brief(self) -> Brief:
        """The usual brief."""
        return brief_for(self.site, self.route)

    def beside(self, node: str) -> tuple[str, ...]:
        """Berths and shuttles that a crane reaches; cranes that reach a berth or a shuttle."""
        crane = self.site.nodes[node].crane
        if crane is not None:
            return tuple(owner for place in crane.places if (owner := self.site.places[place].node))
        own = self.site.place_of(node)
        return self.site.cranes_reaching(own.name) if own else ()

    # ------------------------------------------------------------ runs
    def begin(self, prepared: Prepared | None = None, brief: Brief | None = None) -> None:
        """A fresh supervisor among nodes that have worked for another before; `prepared` is what befalls them."""
        self._start(lambda node, now_ms: node.start_over(now_ms), brief or self.brief, prepared or {})

    def go_on(self, brief: Brief, happened: Mapping[str, Incident], prepared: Prepared | None = None) -> None:
        """A fresh supervisor among the nodes as they are; `happened` befell them while it was away."""

        def sleep(node: SimulatedNode, now_ms: int) -> None:
            node.disturbances.asleep = True
            if node.client_id in happened:
                happened[node.client_id](node, now_ms)

        self._start(sleep, brief, prepared or {})

    @contextmanager
    def later(self) -> Iterator[None]:
        """Lives that begin in here are later in what a life is counted by when the work begins.

        The first connection is lost before any node has answered an ask on it, and each crane has to be homed first:
        its first job is none that a case looks at.
        """
        self._later = True
        try:
            yield
        finally:
            self._later = False

    def _start(self, sleep: Incident, brief: Brief, prepared: Prepared) -> None:
        for name in self.yard.nodes:
            self.yard.disturb(name, sleep)
        before = self.log.end
        self.yard.restart_with(brief)
        came = self._comes(before)
        self.need(came, self.yard.failure() or "the supervisor did not connect after its start")
        self.starts.append(before)
        if self._later:
            self.lose_connection()
        # What the old one ordered last may be on its way, a hold too, which no boot keeps out.
        self.bench.wait(self._nothing_under_way, self.stretched(DRAINED_MS))
        for name in self.yard.nodes:
            self.yard.disturb(name, _waking(prepared.get(name), unhomed=self._later))

    def lose_connection(self) -> None:
        """Cut the supervisor's connection, once it has said something on it, and see that it connects again.

        A CONNECT alone may be one that it gives up. Raises Unclear.
        """
        spoke = self.wait_for(lambda m: m.from_node, FIRST_ASK_MS, self._newest_connect())
        self.need(spoke is not None, "the supervisor said nothing on its first connection")
        before, most_ms = self.log.end, self.limit_ms("reconnect")
        self.bench.cut()
        self.bench.wait(lambda: self._connected(before), most_ms)
        self.need(self._connected(before), f"the supervisor did not connect again within {most_ms:.0f} ms")

    def _nothing_under_way(self) -> bool:
        """Whether every order that was sent has come to its node."""
        sent = Counter(
            parse_topic(one.topic).node
            for one in self.log.messages
            if one.from_node and one.name == "job-order"
        )
        to_all = sent[self.spec.everyone]
        return all(node.delivered >= sent[name] + to_all for name, node in self.yard.nodes.items())

    def _comes(self, before: int) -> bool:
        """Whether it connects in time; one whose program has failed is not waited for."""
        end = self.bench.now_ms + FIRST_ASK_MS
        while self.bench.now_ms < end and not self.yard.failure():
            if self.bench.wait(lambda: self._connected(before), LOOK_MS):
                return True
        return self._connected(before)

    def _connected(self, before: int) -> bool:
        return any(isinstance(t.packet, Connect) and t.from_node for t in self.log.traces[before:])

    @property
    def runs(self) -> list[SupervisorRun]:
        """The runs so far, each from its CONNECT on."""
        ends = [*self.starts[1:], None][: len(self.starts)]
        return [
            SupervisorRun(self._first_connect(start), end)
            for start, end in zip(self.starts, ends, strict=True)
        ]

    def _first_connect(self, start: int) -> int:
        return next(
            trace.number
            for trace in self.log.traces[start:]
            if trace.from_node and isinstance(trace.packet, Connect)
        )

    def _newest_connect(self) -> int:
        return self.log.connects()[-1][0].number

    # ------------------------------------------------------------ what is sent
    def orders(self, *, all_runs: bool = False) -> Iterator[JudgedOrder]:
        """Every order of this life, or of all, with what could be known when it was sent."""
        for run in self.runs if all_runs else self.runs[-1:]:
            yield from self.orders_of(run)

    def orders_of(self, run: SupervisorRun) -> Iterator[JudgedOrder]:
        """Every order of one life. What it tells of the other nodes changes with the next order."""
        return SupervisorKnowledge(self.site).orders(self.log, *run)

    def may_work(self, order: JudgedOrder, crane: str) -> str:
        """Why a crane may have a job as an order goes out; '' where its word after the claim says none."""
        known = order.all_known[crane]
        word = known.word("crane-status")
        if word is None:
            return f"{order.act} before {crane} has told its state after the claim"
        if known.jobs:
            return f"{order.act} while job {next(iter(known.jobs))} of {crane} is open"
        state = word.body.get("job_state", "none")
        return f"{order.act} while {crane} says that its job is {state}" if state in OPEN else ""

    def may_move(self, order: JudgedOrder, node: str) -> str:
        """Why a node may move as an order goes out; '' where its words after the claim say held, and no job."""
        known = order.all_known[node]
        for name in sorted(known.states - {"node-status", "fault"}):
            word = known.word(name)
            if word is None:
                return f"{order.act} before {node} has told its state after the claim"
            if not word.body.get("held"):
                return f"{order.act} while {node} says that it is not held"
            if word.body.get("job_state", "none") in OPEN:
                return f"{order.act} while {node} says that it has a job"
        return ""

    def minds_doubt(self, requirement: str, *, all_runs: bool = False) -> int:
        """Demand that nothing but hold and ask goes to a node while it has to be asked again; gives how many orders
        to a node in such doubt were seen.
        """
        seen = 0
        for order in self.orders(all_runs=all_runs):
            doubt = order.known.doubt(order.message.at_ms)
            if doubt is None or doubt.requirement != requirement:
                continue
            seen += 1
            late = order.message.at_ms - doubt.since_ms > self.stretched(CROSSING_MS)
            allowed = order.act in ("ask", "hold") or not late
            self.in_time(
                allowed,
                (doubt.since_ms, min(doubt.since_ms + self.stretched(CROSSING_MS), order.message.at_ms)),
                requirement,
                f"nothing but asks to {order.node} before it answers",
                order.act,
                order.message,
            )
        return seen

    def known_from(self, heard: Message) -> int:
        """The trace from which on the supervisor has surely read a message: what is before may cross it."""
        latest = heard.at_ms + self.stretched(CROSSING_MS)
        for trace in self.log.traces[heard.number :]:
            if trace.at_ms > latest:
                return trace.number - 1
        return self.log.end

    def sent_to(
        self, node: str, acts: Collection[str] | None = None, *, after: int | None = None
    ) -> list[Message]:
        """Orders to a node, in this life or after a trace: of these acts, or all for None."""
        since = self.runs[-1].after if after is None else after
        topic = self.topic(node)
        return [
            one
            for one in self.log.sent("job-order", since)
            if one.topic == topic and (acts is None or one.body.get("act") in acts)
        ]

    def jobs_since(self, after: int) -> list[Message]:
        """Orders to any node that move something and were not sent before."""
        old = {(one.topic, one.body.get("id")) for one in self.log.sent("job-order") if one.number <= after}
        return [
            one
            for one in self.log.sent("job-order", after)
            if one.body.get("act") in self.spec.jobs and (one.topic, one.body.get("id")) not in old
        ]

    def await_order(
        self, node: str, *acts: str, within_ms: float = WORK_MS, after: int | None = None
    ) -> Message:
        """The next order to a node. Raises Unclear where none comes: that is no breach by itself."""
        topic = self.topic(node)
        since = self.runs[-1].after if after is None else after
        found = self.wait_for(
            lambda m: m.from_node and m.topic == topic and m.body.get("act") in acts, within_ms, since
        )
        if found is None:
            said = f"the supervisor sent {node} no {' or '.join(acts)} within {within_ms / 1000:.0f} s"
            self.need(False, f"{said}; did it get the goal that the brief asks for?")
        assert found is not None
        return found

    def next_order(self, node: str, act: str, within_ms: float, after: int | None = None) -> Message | None:
        """The next order of an act to a node, from now on or after a trace; None where none comes in time."""
        topic = self.topic(node)
        return self.wait_for(
            lambda m: m.from_node and m.topic == topic and m.body.get("act") == act, within_ms, after
        )

    def await_word(
        self, node: str, message: str, wanted: Mapping[str, Any], *, after: int | None = None,
        within_ms: float = WORK_MS,
    ) -> Message:  # fmt: skip
        """The next message of a node with these fields that reaches the supervisor. Raises Unclear."""
        end = f"/{node}/{message}"
        since = self.runs[-1].after if after is None else after
        found = self.wait_for(
            lambda m: not m.from_node and m.topic.endswith(end) and wanted.items() <= m.body.items(),
            within_ms,
            since,
        )
        self.need(found is not None, f"{node} never said {in_words(wanted)}")
        assert found is not None
        return found

    def let_hear(self, node: str, incident: Incident, heard: Callable[[Message], bool], what: str) -> Message:
        """Let a node say something, again where it is lost, until the supervisor hears it. Raises Unclear."""
        for _ in range(TRIES):
            before = self.log.end
            self.yard.disturb(node, incident)
            found = self.wait_for(lambda m: not m.from_node and heard(m), self.patience_ms / 2, before)
            if found is not None:
                return found
        raise Unclear(f"{what} did not reach the supervisor")

    def await_owned(self, *nodes: str) -> None:
        """Wait until the claim of every node, or of these, has been answered. Raises Unclear."""
        self.owned_in_time(*nodes)
        self.need_owned(*nodes)

    def owned_in_time(self, *nodes: str) -> bool:
        """Wait until the claim of every node, or of these, has been answered; whether they have in time."""
        return self.bench.wait(_every(20, lambda: self._owned(*nodes)), OWNED_MS) or self._owned(*nodes)

    def need_owned(self, *nodes: str) -> None:
        """Demand that every node, or these, is owned now. Raises Unclear."""
        self.need(
            self._owned(*nodes), f"the supervisor does not own {', '.join(nodes or tuple(self.yard.nodes))}"
        )

    def _owned(self, *nodes: str) -> bool:
        knowledge = SupervisorKnowledge(self.site)
        for _ in knowledge.orders(self.log, *self.runs[-1]):
            pass
        return all(knowledge.nodes[name].owned for name in nodes or tuple(self.yard.nodes))

    def await_job(self, node: str, act: str) -> Message:
        """The first order of an act to a node, once the node has said that it is running."""
        order = self.await_order(node, act)
        self.await_word(node, "job-report", {"id": order.body["id"], "state": "running"})
        return order

    # ------------------------------------------------------------ yard-maps
    def maps(self, place: str, after: int) -> list[Message]:
        """The supervisor's yard-maps of a place after a trace."""
        end = f"/yard-map/{place}"
        return [one for one in self.log.sent("yard-map", after) if one.topic.endswith(end) and one.body]


def _waking(prepare: Callable[[SimulatedNode], None] | None, *, unhomed: bool) -> Incident:
    def wake(node: SimulatedNode, now_ms: int) -> Sequence[Publication]:
        node.at(now_ms)
        if unhomed and node.node.crane is not None:
            node.come_up()
        if prepare is not None:
            prepare(node)
        return node.wake(now_ms)

    return wake


def _every(times: int, look: Callable[[], bool]) -> Callable[[], bool]:
    """Look once in so many calls: a look at a whole life costs more than one at a message."""
    calls = 0

    def seldom() -> bool:
        nonlocal calls
        calls += 1
        return calls % times == 0 and look()

    return seldom


def has_route(site: Site, _node: NodeSite) -> str:
    """A condition: the site has what the cases' goal needs."""
    return "" if route_of(site) else "no box of this site goes from a stack by way of a deck to a track"


def supervised(
    *requirements: str,
    after: tuple[str, ...] = (),
    passive: bool = False,
    applies: Condition = has_route,
) -> Callable[[Callable[[SupervisorFixture], None]], CaseBody]:
    """Declare a function as a case for supervisors. An active one restarts the supervisor."""

    def declare(body: Callable[[SupervisorFixture], None]) -> CaseBody:
        @wraps(body)
        def run(fixture: Fixture) -> None:
            assert isinstance(fixture, SupervisorFixture), "a supervisor is judged on a stand of its own"
            body(fixture)

        return case(
            *requirements,
            roles=("supervisor",),
            after=after,
            passive=passive,
            restarts=not passive,
            applies=applies,
        )(run)

    return declare
