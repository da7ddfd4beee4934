"""A scenario on a real broker: the supervisor and, where the yard is simulated, every node with its machines."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace

from conformance.bench.brokers.broker import Broker
from conformance.bench.tap.tap import Tap
from conformance.commands.supervise.held import hold_at_work
from conformance.page.server.live_model import LivePage
from conformance.page.server.page_listener import PageListener
from protocol.participant import Delivery, Participant, Publication
from protocol.site import Site
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.machines.imperfect import planted_tracks
from reference_node.scenario.invariant_monitor import InvariantMonitor
from reference_node.scenario.observation import Observation
from reference_node.scenario.person import SimulatedPerson
from reference_node.scenario.scenario import Event, Scenario
from reference_node.scenario.simulated_yard import SimulatedYard
from reference_node.scenario.story import Outcome, Story
from reference_node.supervisor.questions.question import LETS_GO_ON, Question
from reference_node.supervisor.send.messages import hold_for
from reference_node.supervisor.supervisor import Supervisor

LAST_WORDS_S = 0.5
NODES_FIRST_S = 0.8
"""So long before the supervisor the simulated nodes are on: what is told at its start is told of what stands still."""
CALL_S = 30.0
"""How long the supervisor's thread may be busy before something is wrong; a portion of planning takes far less."""
NETWORK = frozenset({"network-gone", "link-breaks"})
NOT_LOST = "on a broker nothing is lost or repeated on purpose: loss_percent and repeat_percent are left out"
OWN = frozenset({"supervisor-restarts", "orders-twice", "hold"})
"""What the kit makes happen in a real yard too."""


class WireYard:
    """Hosts on one broker. The scenario is followed on the thread that owns the supervisor; events happen outside."""

    def __init__(
        self, scenario: Scenario, site: Site, broker: Broker, *, simulated: bool, page: LivePage | None = None
    ) -> None:
        """`page` is told what the supervisor hears."""
        self.scenario, self.site = scenario, site
        self.name = site.with_role("supervisor")[0].name
        self.started_ms = monotonic_ms()
        self._broker, self._page = broker, page
        self._chance = random.SystemRandom()
        """Two starts on one bus have no boot, token or claim in common; the seed is for the simulated machines."""
        self.yard = (
            SimulatedYard(
                site, scenario.contents, scenario.trains, random.Random(scenario.seed), self.started_ms,
                boots=self._chance, imperfect=planted_tracks(site, scenario.imperfect, scenario.seed),
            )
            if simulated
            else None
        )  # fmt: skip
        self.watch = InvariantMonitor(self.yard) if self.yard is not None else None
        self.story = Story(scenario, self, self.started_ms)
        if scenario.loss or scenario.repeat:
            self.story.tell(NOT_LOST)
        self.to_do: list[Event] = []
        """What has to happen now, for whoever makes it happen."""
        self._hosts: dict[str, MqttHost] = {}
        self._taps: dict[str, Tap] = {}
        self._timers: list[threading.Timer] = []
        self._twice_until_ms = 0
        self._answers: list[tuple[int, Question]] = []
        self._person = SimulatedPerson(scenario, self.yard) if self.yard is not None else None

    @property
    def now_ms(self) -> int:
        """Milliseconds of the process's clock."""
        return monotonic_ms()

    @property
    def supervisor(self) -> Supervisor:
        """The one at work."""
        return self.story.supervisor

    # ------------------------------------------------------------ starting and stopping
    @contextmanager
    def running(self) -> Iterator[None]:
        """Start everything, and leave no thread behind. Raises Trouble."""
        with ExitStack() as stack:
            if any(event.do in NETWORK for event in self.scenario.events) and self.yard is not None:
                tls = self._broker.address.tls_context()
                for name in (*self.yard.machines, self.name):
                    tap = Tap(self._broker.host, self._broker.port, tls=tls)
                    self._taps[name] = stack.enter_context(tap)
            stack.callback(self._stop)
            for name in self.yard.machines if self.yard is not None else ():
                self._start_node(name)
            if self.yard is not None and self.scenario.known:
                time.sleep(NODES_FIRST_S)
            self._supervise(self._chance.getrandbits(16), {}, first=True)
            yield

    def _stop(self) -> None:
        for timer in self._timers:
            timer.cancel()
        for host in [self._hosts.pop(name) for name in list(self._hosts)]:
            host.stop()

    def _host(self, name: str, participant: Participant, wait_s: float | None = 10.0) -> None:
        tap, address = self._taps.get(name), self._broker.address
        if tap is not None:
            address = replace(address, host=tap.host, port=tap.port, tls=None)
        self._hosts[name] = address.client(participant)
        self._hosts[name].start(wait_s)

    def _start_node(self, name: str, wait_s: float | None = 10.0) -> None:
        assert self.yard is not None
        self._host(name, self.yard.controller(name, monotonic_ms()), wait_s)

    def _supervise(self, boot: int, been: dict[str, Sequence[str]], *, first: bool) -> None:
        supervisor = Supervisor(
            self.site, self.name, boot=boot, rng=self._chance, started_ms=monotonic_ms(),
            goals=self.scenario.goal_states(self.started_ms), on_question=self._asked, been=been,
            contents=self.scenario.told(self.site) if first and self.scenario.known else None,
        )  # fmt: skip
        self.story.lives(supervisor)
        said: Participant = _DuplicatingParticipant(supervisor, lambda: monotonic_ms() < self._twice_until_ms)
        if self._page is not None:
            said = PageListener(said, self._page)
        self._host(self.name, said, 10.0 if first else None)

    # ------------------------------------------------------------ going on
    def call(self, work: Callable[[], object]) -> None:
        """Do `work` on the thread that owns the supervisor, and wait for it."""

        def do(_: Participant, now_ms: int) -> Sequence[Publication]:
            work()
            return ()

        self._hosts[self.name].call(do, CALL_S)

    def go_on(self) -> None:
        """Look, answer and let happen what is due. Raises what ended one of the threads."""
        for host in list(self._hosts.values()):
            if host.failure is not None:
                raise host.failure
        self.call(self._go_on)
        if self.watch is not None:
            self.watch.look()
        for event in [event for event in self.to_do if not self._is_a_persons(event)]:
            self.to_do.remove(event)
            self._make_happen(event)

    @property
    def over(self) -> bool:
        """Whether the scenario has come to its end, or its time is over."""
        return self.story.is_over or monotonic_ms() - self.started_ms >= self.scenario.within_ms

    def wind_up(self) -> None:
        """Order nothing more and let nothing more happen; goals stay as open as they are."""

        def close() -> None:
            self.story.closed = True
            self.supervisor.wind_up()

        self.to_do.clear()
        self.call(close)

    def hold_at_work(self) -> list[str]:
        """Order nothing more, and hold every node that may be at work; gives what became of each, in words.

        Raises what keeps the holds from being sent.
        """
        return hold_at_work(self._hosts[self.name], self.supervisor, monotonic_ms)

    @property
    def under_way(self) -> list[str]:
        """Jobs that have not come to their end, in words."""
        jobs = [(session.name, session.job) for session in self.supervisor.sessions.values()]
        return [f"{name} {job.act}" for name, job in jobs if job is not None]

    def asked(self) -> tuple[int, bool]:
        """How many questions were asked so far, and whether one is open that lets work go on.

        Both at one moment: between two looks a question may be asked, which would be counted and never told.
        """
        found: list[tuple[int, bool]] = []

        def look() -> None:
            lets_go_on = any(one.about in LETS_GO_ON for one in self.supervisor.questions)
            found.append((len(self.story.asked), lets_go_on))

        self.call(look)
        return found[0]

    def ended(self, *, stopped: bool = False) -> Outcome:
        """How the scenario ended, or was `stopped`, once the last words are heard."""
        time.sleep(LAST_WORDS_S)
        self.go_on()
        return self.outcome(stopped=stopped)

    def take_events(self) -> list[Observation]:
        """What only a person can make happen now, in a real yard; it is looked for on the bus from here on."""
        asked: list[Observation] = []
        events, self.to_do = self.to_do, []

        def ask() -> None:
            asked.extend(self.story.look_for(event) for event in events)

        if events:
            self.call(ask)
        return asked

    def said_done(self) -> str:
        """A person has made happen what the bus cannot show; gives what that is."""
        done: list[str] = []
        self.call(lambda: done.append(self.story.said_done()))
        return done[0]

    def outcome(self, *, stopped: bool = False) -> Outcome:
        """How it ended."""
        found: list[Outcome] = []

        def look() -> None:
            if self.watch is not None:
                self.watch.compare(self.supervisor)
            breaches = self.watch.breaches if self.watch is not None else ()
            found.append(self.story.outcome(self.yard, breaches, stopped=stopped))

        self.call(look)
        return found[0]

    def _go_on(self) -> None:
        self.story.go_on()
        due = [question for due_ms, question in self._answers if due_ms <= monotonic_ms()]
        self._answers = [(due_ms, question) for due_ms, question in self._answers if question not in due]
        for question in due:
            if question in self.supervisor.questions and self._person is not None:
                try:
                    self._person.settle(question)
                except ValueError:
                    self._answers.append((monotonic_ms() + 1_000, question))

    def _asked(self, question: Question) -> None:
        self.story.is_asked(question)
        person = self.scenario.person
        if (
            self._person is not None
            and person.answers
            and (person.lets_go_on or question.about not in LETS_GO_ON)
        ):
            self._answers.append((monotonic_ms() + self.scenario.person.walk_ms, question))

    # ------------------------------------------------------------ events
    def happen(self, event: Event) -> None:
        """Leave it to whoever calls `go_on`: it may end the thread that this runs on."""
        self.to_do.append(event)

    def _is_a_persons(self, event: Event) -> bool:
        """In a real yard a person does what befalls machines and boards; the rest is the supervisor's own."""
        return self.yard is None and event.do not in OWN and (event.do, event.node) != ("reboot", self.name)

    def _make_happen(self, event: Event) -> None:
        yard = self.yard
        names = [node.name for node in self.site.nodes.values() if not node.is_supervisor]
        nodes = [*names, self.name] if event.node == "all" else [event.node]
        match event.do:
            case "supervisor-restarts":
                self._restart()
            case "reboot":
                self._reboot(event.node)
            case "network-gone" | "link-breaks":
                for node in nodes:
                    self._cut(self._taps[node], event.for_ms)
            case "orders-twice":
                self._twice_until_ms = monotonic_ms() + event.for_ms
            case "hold":
                for node in nodes:
                    self._hold(node)
            case _ if yard is not None:
                yard.meddle(event, self._later)

    def _reboot(self, node: str) -> None:
        if node == self.name:
            self._restart()
            return
        self._hosts.pop(node).stop(graceful=False)
        self._start_node(node, None)  # The network may be gone just now.

    def _restart(self) -> None:
        before = self.supervisor
        self._hosts.pop(self.name).stop(graceful=False)
        been: dict[str, Sequence[str]] = {
            berth: list(trains) for berth, trains in before.execution.been.items()
        }
        self._supervise((before.boot + 1) % 65_536, been, first=False)

    def _cut(self, tap: Tap, for_ms: int) -> None:
        if for_ms:
            tap.refuse()
            self._later(for_ms, lambda: tap.refuse(refusing=False))
        tap.cut()

    def _hold(self, node: str) -> None:
        if node == self.name:
            return
        hold = hold_for(self.site, node, self.site.nodes[node].reads)
        self._hosts[self.name].call(lambda _participant, _now_ms: [hold], CALL_S)

    def _later(self, after_ms: int, do: Callable[[], object]) -> None:
        timer = threading.Timer(after_ms / 1000, do)
        timer.daemon = True
        self._timers.append(timer)
        timer.start()


class _DuplicatingParticipant:
    """A participant whose orders are sent twice while `twice` is so."""

    def __init__(self, inner: Supervisor, twice: Callable[[], bool]) -> None:
        self._inner, self._twice = inner, twice
        self.client_id, self.keep_alive_s = inner.client_id, inner.keep_alive_s
        self.will, self.subscriptions = inner.will, inner.subscriptions
        self.disconnected, self.next_tick = inner.disconnected, inner.next_tick
        self.parting = inner.parting

    def connected(self, now_ms: int) -> Sequence[Publication]:
        """The link is up."""
        return self._said(self._inner.connected(now_ms))

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """A message arrived."""
        return self._said(self._inner.receive(delivery, now_ms))

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Time has passed."""
        return self._said(self._inner.tick(now_ms))

    def _said(self, publications: Sequence[Publication]) -> Sequence[Publication]:
        if not self._twice():
            return publications
        return [
            one
            for publication in publications
            for one in ([publication] * 2 if publication.topic.endswith("/job-order") else [publication])
        ]
