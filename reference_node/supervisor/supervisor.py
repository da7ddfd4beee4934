"""The supervisor: sessions, inventory, rules and goals behind one participant of the bus."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import Any

from protocol.counting import next_count
from protocol.participant import Delivery, Publication
from protocol.site import Site
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.journal import Journal
from reference_node.supervisor.observe import sensors
from reference_node.supervisor.observe.gap import Gap
from reference_node.supervisor.observe.inventory import Inventory
from reference_node.supervisor.observe.known_node import Event
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.yard_map import may_believe, may_believe_word
from reference_node.supervisor.observe.yard_state import YardState, node_states
from reference_node.supervisor.plan.execution import Orders, PlanExecution
from reference_node.supervisor.plan.goal_list import GoalList
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.plan.next_step import Step
from reference_node.supervisor.questions.answers import Answers
from reference_node.supervisor.questions.open_questions import OpenQuestions
from reference_node.supervisor.questions.question import Question
from reference_node.supervisor.send.appearance import LOOK_MS, Appearance
from reference_node.supervisor.send.holds import Holds
from reference_node.supervisor.send.messages import TooLarge, flaws_of, order_to, read_delivery
from reference_node.supervisor.send.order_text import order_text
from reference_node.supervisor.send.outage import Outage
from reference_node.supervisor.send.yard_maps import YardMaps

Body = Mapping[str, Any]


class Supervisor(Appearance):
    """A participant that owns every node of a site and brings its goals about, one stage after the other.

    `contents` is a person's word about places at the start: it is asked about again where a node may have moved
    anything since, or nobody can tell. `been` about the trains of the first goal state that have
    been at each berth before. `on_question` is called with every new question
    and may answer it at once; else it waits in `questions`. All chance comes from `rng`.
    """

    def __init__(
        self,
        site: Site,
        name: str,
        *,
        boot: int,
        rng: Random,
        started_ms: int = 0,
        goals: Sequence[Goal] = (),
        contents: Mapping[str, Sequence[str]] | None = None,
        on_question: Callable[[Question], None] | None = None,
        pace: Pace | None = None,
        been: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        super().__init__(site, name, boot, started_ms)
        self.pace = pace or Pace()
        self.inventory = self.new_inventory()
        self.sessions = {
            node.name: self.new_session(site.nodes[node.name], rng)
            for node in site.nodes.values()
            if not node.is_supervisor
        }
        self.goals: list[Goal] = list(goals)
        """What is still to be met, in order."""
        self.waiting: dict[Any, str] = {}
        """Goals that are worked on now and why each has no order out."""
        self.history: list[tuple[int, str, SentOrder]] = []
        """Every job that ended: when, at which node, the order."""
        self.troubles: list[str] = []
        """What keeps the supervisor from working at all, each once."""
        self.was_owned = False
        self.winding_up = False
        """Set by `wind_up`: nothing more is ordered."""
        self.replaced = ""
        """The first node that another supervisor was seen to have claimed; then nothing more goes to any."""
        self.holds = Holds(site, self.sessions, self.pace.repeat_ms)
        self.now_ms = started_ms
        self.journal = Journal()
        self.goal_list = GoalList(site, Orders(self.look, self.start, self.note, self.waiting), been)
        self.outage = Outage(self.sessions, self.holds, self.note)
        answers = Answers(site, self.sessions, self.inventory, self.holds, self.outage, self._now)
        self.open_questions = self.new_questions(answers, on_question)
        self._contents, self._told_ms = dict(contents or {}), started_ms
        self.yard_maps = YardMaps(self._messages, self.inventory, self.sessions)
        self._steps: dict[tuple[str, int, int], Step] = {}
        self._not_before: dict[str, tuple[int, str]] = {}

    # ------------------------------------------------------------ parts that a test may take away
    def new_session(self, node: Any, rng: Random) -> Session:
        """The session with one node."""
        return Session(node, rng, self.pace)

    def new_inventory(self) -> Inventory:
        """Where the boxes are; at first nothing is sure."""
        return Inventory(self.site)

    def new_rules(self, state: YardState) -> Rules:
        """The checks before a moving order, over one picture of the yard."""
        return Rules(state)

    def new_questions(
        self, answers: Answers, on_question: Callable[[Question], None] | None
    ) -> OpenQuestions:
        """What a person is asked about."""
        return OpenQuestions(self.look, self.new_rules, self.holds, answers, on_question, self.note)

    def believes_map(self, place: str, kept: Body) -> bool:
        """Whether a yard-map of the life before is still true [SUP-11]."""
        return may_believe(place, kept, self.inventory, self.sessions)

    def believes_word(self, place: str) -> bool:
        """Whether what a person told of a place at the start is still true for sure [SUP-24]."""
        return may_believe_word(place, self.inventory, self.sessions, self._told_ms)

    def doubt_after(self, node: str) -> None:
        """What becomes unsure after a new boot of `node` or an unknown outcome there [SUP-09]."""
        self.inventory.doubt(node)

    def outcome(self, sent: SentOrder) -> str:
        """How a job that has ended changed the inventory: done, failed, cancelled, refused or unknown."""
        return sent.state

    # ------------------------------------------------------------ participant
    def connected(self, now_ms: int) -> Sequence[Publication]:
        """Say that it is there; orders follow with the next tick."""
        self._messages.link = next_count(self._messages.link)
        self.now_ms = now_ms
        self.outage.end(now_ms)
        return [self._messages.status(now_ms), *self._work(now_ms)]

    def disconnected(self, now_ms: int) -> None:
        """Only holds wait for the bus; what was open goes on with a person's word alone."""
        self.now_ms = now_ms
        self.outage.begin(now_ms, self.goals, all_owned=self.was_owned)
        self.open_questions.bus_fell()

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        """Take a message and do what follows from it."""
        message = read_delivery(self.site, delivery)
        if message is None:
            return []
        if message.topic.message == "yard-map":
            if not self.was_owned:
                self.yard_maps.keep(message)
            return []
        session = self.sessions.get(message.topic.node)
        if session is None:
            return []
        self.journal.heard(now_ms, session.name, message.topic.message, message.body)
        session.hear(message.topic.message, message.body, retain=message.retain, now_ms=now_ms)
        return self._work(now_ms)

    def tick(self, now_ms: int) -> Sequence[Publication]:
        """Repeat, look for silence, go on."""
        return self._work(now_ms)

    # ------------------------------------------------------------ what a person may want
    @property
    def finished(self) -> bool:
        """Whether no goal is left, as nodes have said that were all claimed: an empty bus meets nothing."""
        return self.was_owned and not self.goals

    @property
    def execution(self) -> PlanExecution:
        """The plan for the goal state that is worked on, or was last."""
        return self.goal_list.execution

    def wind_up(self) -> None:
        """Order no job any more; those under way come to their end. Goals stay as open as they are."""
        self.winding_up = True
        self.open_questions.withdraw_all(f"this supervisor orders nothing more.{self._stay_held()}")

    def _stay_held(self) -> str:
        held = ", ".join(name for name, own in self.holds.standing.items() if own.while_asked)
        return f" Still held: {held}." if held else ""

    def add(self, *goals: Goal) -> None:
        """More goals, behind the others."""
        self.goals.extend(goals)

    @property
    def linked(self) -> bool:
        """Whether the bus is there."""
        return self.holds.linked

    def hold(self, node: str, by: str = "the supervisor") -> None:
        """Hold `node` until `release`, when the bus is there. It is never an emergency stop."""
        self.holds.ask(node, by, self.now_ms)
        self.note(f"{node}: hold, asked for by {by}" + ("" if self.linked else "; not sent: the bus is away"))

    def release(self, node: str) -> str:
        """End this supervisor's hold of `node` and resume it; else why that cannot be [SUP-14]."""
        return self.holds.release(node, self.now_ms)

    @property
    def gap(self) -> Gap | None:
        """The time without the bus after which nobody has let the work go on yet."""
        return self.outage.gap

    def cancel(self, node: str) -> None:
        """Cancel the open job of `node`; nothing happens if there is none, or the node cannot be ordered now."""
        session = self.sessions[node]
        if session.job is not None and session.owned:
            session.cancel(session.job, self.now_ms)

    @property
    def questions(self) -> list[Question]:
        """What only a person can tell, and what is open of it."""
        return self.open_questions.questions

    def look(self) -> YardState:
        """A picture of the yard as it is known now; an order that goes out or an answer makes it old."""
        return YardState(
            self.site,
            self.now_ms,
            node_states(self.sessions.values(), self.now_ms),
            self.inventory.now(),
            self.was_owned,
            frozenset(self.holds),
            self.holds.obeyed,
            self.gap,
            self.open_questions.asked(),
        )

    # ------------------------------------------------------------ work
    def _work(self, now_ms: int) -> list[Publication]:
        self.now_ms = now_ms
        for session in self.sessions.values():
            for event in session.events():
                self._take(session, event)
        self.holds.look(now_ms)
        if not self.linked:
            return []
        if self.replaced:
            stopped = f"another supervisor has claimed {self.replaced}; this one has stopped"
            self.open_questions.withdraw_all(f"{stopped}. Keep away: it may move any machine.")
            self._trouble(stopped)
            return [*self._holds_due(), *self._messages.status_due(now_ms, LOOK_MS)]
        state = self.look()
        self._keep_off_the_bench(state)
        self._settle()
        if self.was_owned:
            self._see_what_is_so(state)
        if self.was_owned and self.gap is None:
            if not self.winding_up:
                self._home()
                self._work_on_goals()
            for session in self.sessions.values():
                session.give_up_silent(now_ms)
        # The map first: whoever finds an order of ours on its way also finds its slots unsure.
        return [
            *self._holds_due(),
            *self._maps_due(),
            *self._orders_due(),
            *self._messages.status_due(now_ms, LOOK_MS),
        ]

    def _see_what_is_so(self, state: YardState) -> None:
        sensors.take_over(self.inventory, state.nodes.values())
        for what in self.inventory.take_conflicts():
            self.journal.alarm(self.now_ms, what)
        self.outage.withdraw_unanswered(self.now_ms)
        if not self.winding_up:
            self.open_questions.refresh()

    def _take(self, session: Session, event: Event) -> None:
        if event.kind == "new-boot":
            self.note(f"{session.name} has restarted")
            self.doubt_after(session.name)
            self.holds.new_boot(session.name)
        elif event.kind == "replaced":
            self.replaced = self.replaced or session.name
        elif event.kind == "ended" and event.sent is not None and event.sent.is_job:
            self._job_ended(session.name, event.sent)
        elif event.kind == "ended" and event.sent is not None and event.sent.act == "resume":
            self.note(f"{session.name}: {_ended(event.sent)}")
            self.holds.resume_ended(session.name, event.sent.reason)

    def _job_ended(self, node: str, sent: SentOrder) -> None:
        self.history.append((self.now_ms, node, sent))
        self.note(f"{node}: {_ended(sent)}")
        self.goal_list.job_ended(node, sent)
        step = self._steps.pop((node, sent.boot, sent.id), None)
        if sent.state in ("refused", "failed"):
            why = f"{node} {sent.state} {sent.act}: {sent.reason or 'no reason given'}"
            self._not_before[node] = (self.now_ms + self.pace.retry_ms, why)
        self.inventory.end(node, self.outcome(sent), sent.load)
        if sent.state == "unknown":
            self.doubt_after(node)
        if sent.act in ("admit", "depart"):
            self.inventory.end_train(node, sent.act, sent.state, step.brings if step is not None else ())

    def _now(self) -> int:
        return self.now_ms

    def note(self, what: str) -> None:
        """Write down what was decided."""
        self.journal.note(self.now_ms, what)

    def _keep_off_the_bench(self, state: YardState) -> None:
        """Claim nobody while a node of the site is on the bench [SUP-15]."""
        bench = self.new_rules(state).bench()
        for session in self.sessions.values():
            session.may_claim = not bench
        if bench:
            self._trouble(f"{bench}: a site with a bench node is not run")

    def _settle(self) -> None:
        """Once every node is owned for the first time: what may be believed of the boxes [SUP-02, SUP-11]."""
        reported = all(one.has_reported() for one in self.sessions.values())
        if self.was_owned or not self.sessions or not reported:
            return
        self.was_owned = True
        for place in self.site.places:
            kept = self.yard_maps.kept.get(place)
            if place in self._contents:
                # Told later than any map: where it is not sure any more, it is asked.
                if self.believes_word(place):
                    self.inventory.tell(place, self._contents[place])
            elif kept is not None and self.believes_map(place, kept):
                self.inventory.tell(place, kept["slots"])

    def _home(self) -> None:
        for node in self.site.with_role("crane"):
            word = self.sessions[node.name].word("crane-status")
            if word is not None and word["mode"] == "unhomed":
                self.start(Step(node.name, "home"))

    def _work_on_goals(self) -> None:
        self.waiting.clear()
        for goal in self.goal_list.go_on(self.goals):
            self.note(f"met: {goal}")

    def why_not(self, step: Step) -> str:
        """What stands against `step` now: the end, the node's peace, a rule, or an order that would not be valid."""
        if self.winding_up:
            return "nothing more is ordered: this supervisor is about to stop"
        until_ms, refusal = self._not_before.get(step.node, (0, ""))
        if self.now_ms < until_ms:
            return refusal
        session = self.sessions[step.node]
        why = self.new_rules(self.look()).obstacle(step.node, step.act)
        if not why and not session.ids_left():
            why = f"{step.node} has to be claimed again first"
        return why or flaws_of(self.site, session, session.draft(step.act, **step.fields))

    def start(self, step: Step) -> str:
        """Order `step`, or say what stands against it."""
        why = self.why_not(step)
        if not why:
            sent = self.sessions[step.node].order(step.act, self.now_ms, **step.fields)
            self._steps[step.node, sent.boot, sent.id] = step
            self.note(f"{step.node}: {order_text(sent.body)}")
            if step.carriage is not None:
                self.inventory.begin(step.node, step.carriage)
            if step.act in ("admit", "depart"):
                self.inventory.begin_train(step.node)
        return why

    # ------------------------------------------------------------ what goes out
    def _orders_due(self) -> list[Publication]:
        """A reset-fault goes out before any resume, while all that reaches there is held [SUP-25]."""
        out = []
        due = [(session, body) for session in self.sessions.values() for body in session.due(self.now_ms)]
        for session, body in sorted(due, key=lambda one: one[1]["act"] != "reset-fault"):
            self.journal.heard(self.now_ms, session.name, "job-order", body)
            try:
                out.append(order_to(self.site, session, body))
            except TooLarge as error:
                self._trouble(str(error))
        return out

    def _holds_due(self) -> list[Publication]:
        return self.holds.due(self.now_ms)

    def _maps_due(self) -> list[Publication]:
        """Once the old ones have been read."""
        asked = {question.place: question.asks for question in reversed(self.questions)}
        return self.yard_maps.due(asked, self.now_ms) if self.was_owned else []

    def _trouble(self, what: str) -> None:
        if what not in self.troubles:
            self.troubles.append(what)
            self.note(what)


def _ended(sent: SentOrder) -> str:
    return f"{sent.act} {sent.state}" + (f" ({sent.reason})" if sent.reason else "")
